"""The golden dictations are well formed: every label is one that the catalogue and the scales allow.

Golden files are `tests/cases/golden/*.jsonl`, one invented dictation a line. `text` is what was said, `gold`
the findings that must come out of it and nothing else. Conventions of the labels:

- `side` is right, left, both, none or unstated; unsided items and midline things have `none`;
- descriptors are those of the catalogue; "normal" and "none" only repeat the status: comparisons skip them;
- "worse on the left" with an abnormal result is two findings, the worse side with the qualifier `worse`;
- `unread` and `context` hold stretches of `text` that must end there; stretches not listed are not judged;
- `asked_no_result` are items that the patient was told to do and that got no result.

This file judges only the form. Whether the grammar reads them as labelled is judged elsewhere.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections import Counter
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from grammar.models import Finding

ROOT = Path(__file__).resolve().parents[2]
GOLDEN = ROOT / "tests" / "cases" / "golden"
DATA = ROOT / "grammar" / "data"
FIELDS = {
    *("id", "style", "complaint", "spoken", "text", "notes"),
    *("gold", "asked_no_result", "queries", "unread", "context"),
}
LABEL_FIELDS = {"item", "site", "side", "status", "grade", "descriptors", "qualifiers"}
QUERY_KINDS = {"side_unstated", "asymmetry", "out_of_scale", "conflict", "consistency"}
# Sided items whose slot can lie in the midline, so that side "none" is a right answer (None = no site).
MIDLINE: dict[str, set[str | None]] = {
    "tongue": {None},
    "weber": {None},
    "palate": {None},
    "reflex": {"jaw"},
    "power": {"neck_flexion", "neck_extension"},
    "tone": {"neck"},
    "fasciculations": {"tongue"},
    "tremor": {"head"},
}
ALWAYS_MIDLINE = {("reflex", "jaw"), ("power", "neck_flexion"), ("power", "neck_extension"), ("tone", "neck")}
MIDLINE_AREAS = {"neck", "trunk", "abdomen", "perianal"}


@cache
def load(name: str) -> dict[str, Any]:
    """One of the grammar's own data files."""
    return tomllib.loads((DATA / name).read_text(encoding="utf-8"))


def entries() -> list[Any]:
    """Every golden dictation as a pytest parameter named by file and id."""
    rows = []
    for path in sorted(GOLDEN.glob("*.jsonl")):
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
            case = json.loads(line)
            rows.append(pytest.param(case, id=f"{path.stem}:{case.get('id', number)}"))
    return rows


def sites_of(item: dict[str, Any]) -> list[str]:
    """The sites an item can have; "areas" stands for the shared list of skin areas."""
    sites = item.get("sites", [])
    return list(load("protocols/catalogue.toml")["areas"]) if sites == "areas" else list(sites)


def side_faults(label: dict[str, Any], item: dict[str, Any]) -> list[str]:
    """A sided item has a side unless it lies in the midline; an unsided item has none."""
    if not item["sided"]:
        return [] if label["side"] == "none" else ["an unsided item has side none"]
    if label["side"] != "none":
        always = (label["item"], label["site"]) in ALWAYS_MIDLINE or "midline" in label["descriptors"]
        return ["a midline thing has side none"] if always else []
    midline = MIDLINE.get(label["item"], set())
    if item.get("sites") == "areas":
        midline = midline | MIDLINE_AREAS
    return [] if label["site"] in midline else ["side none on a sided item that is not midline"]


def count_faults(label: dict[str, Any], grade: str) -> list[str]:
    """A count below its maximum is abnormal (or doubtful), a full count is normal."""
    match = re.fullmatch(r"(\d+)/(\d+)", grade)
    if not match or int(match[1]) > int(match[2]):
        return ["a count is n/m with n no larger than m"]
    return value_faults(label, int(match[1]) == int(match[2]))


def value_faults(label: dict[str, Any], is_normal: bool) -> list[str]:
    """The status agrees with what the value means on its scale; doubt and refusal may stand."""
    if label["status"] in ("equivocal", "not_examined") or (label["status"] == "normal") == is_normal:
        return []
    return [f"status {label['status']} does not agree with the grade"]


def snellen_faults(label: dict[str, Any], grade: str) -> list[str]:
    """Acuity is 6/n or 20/n; worse than 6/6 (20/20) is abnormal."""
    match = re.fullmatch(r"(\d+)/(\d+)", grade)
    if not match or int(match[1]) not in load("scales.toml")["snellen"]["numerators"]:
        return ["acuity is a fraction over a known numerator"]
    return value_faults(label, int(match[2]) <= int(match[1]))


def number_faults(grade: str, scale: dict[str, Any]) -> list[str]:
    """A plain number within the bounds that its scale gives."""
    if not re.fullmatch(r"\d+(\.\d+)?", grade):
        return ["the grade is no number"]
    inside = scale.get("min", 0) <= float(grade) <= scale.get("max", float("inf"))
    return [] if inside else ["the grade is outside its scale"]


def grade_faults(label: dict[str, Any], item: dict[str, Any]) -> list[str]:
    """The grade lies on the item's scale and its status agrees with it."""
    grade, name = label["grade"], item.get("scale")
    if grade is None:
        return []
    if label["item"] == "cranial_nerves":
        return [] if re.fullmatch(r"\d+-\d+", grade) else ["a range of nerves is n-m"]
    if name is None:
        return ["a grade on an item without a scale"]
    scale = load("scales.toml")[name]
    if name == "count":
        return count_faults(label, grade)
    if name == "snellen":
        return snellen_faults(label, grade)
    if name == "level":
        return [] if re.fullmatch(scale["pattern"], grade) else ["no such level"]
    if "values" not in scale:
        faults = number_faults(grade, scale)
        return faults or (value_faults(label, int(grade) == scale["max"]) if name == "gcs" else [])
    if grade not in scale["values"]:
        return [f"{grade} is not on the {name} scale"]
    brisk_or_low = name == "reflex" and bool(label["descriptors"])  # "3+ and brisk" is abnormal by its words
    return [] if brisk_or_low else value_faults(label, grade in scale["normal"])


def label_faults(label: dict[str, Any]) -> list[str]:
    """Everything wrong with one label, in words."""
    if set(label) != LABEL_FIELDS:
        return [f"fields are {sorted(label)}"]
    item = load("protocols/catalogue.toml")["items"].get(label["item"])
    if item is None:
        return [f"no item {label['item']}"]
    faults = []
    if label["site"] is not None and label["site"] not in sites_of(item):
        faults.append(f"{label['item']} has no site {label['site']}")
    if label["item"] in ("power", "reflex") and label["site"] is None:
        faults.append(f"{label['item']} always has a site")
    allowed = item.get("describe", [])
    faults += [f"{word} is no descriptor of it" for word in label["descriptors"] if word not in allowed]
    faults += side_faults(label, item) + grade_faults(label, item)
    if len(set(label["descriptors"])) != len(label["descriptors"]):
        faults.append("a descriptor is given twice")
    return [f"{label['item']}:{label['site']} {label['side']}: {fault}" for fault in faults]


def case_faults(case: dict[str, Any]) -> list[str]:
    """Everything wrong with one golden dictation outside its labels."""
    items, addons = load("protocols/catalogue.toml")["items"], load("protocols/quick_screen.toml")["addons"]
    spans = case["unread"] + case["context"]
    faults = [f"no add-on {name}" for name in case["complaint"] if name not in addons]
    faults += [f"asked: no item {name}" for name in case["asked_no_result"] if name not in items]
    faults += [f"no query kind {kind}" for kind in case["queries"] if kind not in QUERY_KINDS]
    faults += [f"not in the text: {span!r}" for span in spans if span not in case["text"]]
    found = {label["item"] for label in case["gold"]}
    faults += [f"asked without result, yet found: {name}" for name in found & set(case["asked_no_result"])]
    unstated = any(label["side"] == "unstated" for label in case["gold"])
    if unstated != ("side_unstated" in case["queries"]):
        faults.append("side_unstated is queried exactly when a side is unstated")
    return faults


def slot_faults(labels: list[dict[str, Any]], queries: list[str]) -> list[str]:
    """One slot has one status and one grade unless a conflict is queried."""
    slots: dict[tuple[str, str | None, str], set[tuple[str, str | None]]] = {}
    for label in labels:
        sides = ("right", "left") if label["side"] == "both" else (label["side"],)
        for side in sides:
            results = slots.setdefault((label["item"], label["site"], side), set())
            results |= {("status", label["status"]), ("grade", label["grade"])} - {("grade", None)}
    clashes = [str(slot) for slot, results in slots.items() if len(results) > 1 + has_grade(results)]
    clashes = [clash for clash in clashes if "unstated" not in clash]
    return [] if not clashes or "conflict" in queries else [f"no conflict queried: {', '.join(clashes)}"]


def has_grade(results: set[tuple[str, str | None]]) -> bool:
    """Whether a slot's results hold a grade besides the status."""
    return any(kind == "grade" for kind, _ in results)


@pytest.mark.parametrize("case", entries())
def test_a_golden_dictation_is_well_formed(case: dict[str, Any]) -> None:
    """Its fields, its labels and its spans follow the catalogue, the scales and the rules of the labels."""
    fields = set(case) - {"source"}  # where a passage written by others comes from, with its licence
    assert fields == FIELDS, f"fields differ: {sorted(FIELDS ^ fields)}"
    assert case["text"].strip(), "nothing was said"
    faults = [fault for label in case["gold"] for fault in label_faults(label)]
    faults += case_faults(case) + slot_faults(case["gold"], case["queries"])
    assert not faults, "\n".join(faults)


@pytest.mark.parametrize("case", entries())
def test_a_golden_label_is_a_finding(case: dict[str, Any]) -> None:
    """Every label can be held by the note's own type."""
    for label in case["gold"]:
        Finding(**label, text=case["text"], start_char=0, end_char=len(case["text"]))


def test_ids_and_texts_are_unique() -> None:
    """A dictation is known by its id, and the same words under two ids would count twice."""
    cases = [row.values[0] for row in entries()]
    for field in ("id", "text"):
        counts = Counter(case[field] for case in cases)
        assert not [value for value, n in counts.items() if n > 1]


def test_the_golden_files_cover_the_catalogue() -> None:
    """Every item is found in two dictations, every site (a skin area: of any modality) in one."""
    catalogue = load("protocols/catalogue.toml")
    items: Counter[str] = Counter()
    places: set[tuple[str, str | None]] = set()
    for row in entries():
        labels = row.values[0]["gold"]
        items.update({label["item"] for label in labels})
        places |= {(label["item"], label["site"]) for label in labels}
    modalities = [name for name, item in catalogue["items"].items() if item.get("sites") == "areas"]
    missing = [name for name in catalogue["items"] if items[name] < 2]
    missing += [area for area in catalogue["areas"] if not any((m, area) in places for m in modalities)]
    for name, item in catalogue["items"].items():
        if name not in modalities:
            missing += [f"{name}:{site}" for site in sites_of(item) if (name, site) not in places]
    assert not missing, f"never said in a golden dictation: {missing}"
