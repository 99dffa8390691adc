"""The report's plots, drawn with matplotlib into PNG files.

Colours are from Okabe and Ito, Color Universal Design (2008), chosen to be told apart with any colour vision.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import matplotlib

matplotlib.use("Agg")

from matplotlib.figure import Figure

Rows = Sequence[dict[str, Any]]

SIDE_COLOURS = {
    "right": "#D55E00",
    "left": "#0072B2",
    "both": "#009E73",
    "none": "#999999",
    "unstated": "#F0E442",
}
STATE_COLOURS = {
    "recorded": "#009E73",
    "by_summary": "#8FD0BC",
    "not_examined": "#56B4E9",
    "side_unstated": "#F0E442",
    "asked_no_result": "#E69F00",
    "missing": "#D55E00",
}
MOST_BARS = 60
INK = "#1d2b2a"


def _figure(height: float, title: str) -> tuple[Figure, Any]:
    """An empty plot, 9 inches wide."""
    figure = Figure(figsize=(9, height), dpi=120, layout="constrained")
    axes = figure.subplots()
    axes.set_title(title, loc="left", fontsize=11, color=INK)
    axes.spines[["top", "right"]].set_visible(False)
    return figure, axes


def _months(axes: Any, names: Sequence[str]) -> None:
    """Month labels, thinned so that they never touch."""
    step = max(1, len(names) // 18 + 1)
    ticks = range(0, len(names), step)
    axes.set_xticks(list(ticks), [names[tick] for tick in ticks], rotation=45, ha="right", fontsize=8)


def notes_over_time(rows: Rows) -> Figure:
    """Bars of notes by month; undated notes are said in the title, not drawn as a month."""
    dated = [row for row in rows if row["month"] != "no date"]
    undated = sum(row["notes"] for row in rows if row["month"] == "no date")
    title = "Notes a month" + (f" ({undated} without a date not shown)" if undated else "")
    figure, axes = _figure(3.2, title)
    axes.bar(range(len(dated)), [row["notes"] for row in dated], color="#0072B2", width=0.85)
    _months(axes, [row["month"] for row in dated])
    axes.set_ylabel("notes")
    return figure


def _stacked(rows: Rows, name: str, colours: dict[str, str], title: str, unit: str, share: bool) -> Figure:
    """Horizontal stacked bars, the first row on top."""
    shown = list(rows[:MOST_BARS])
    more = f" (first {len(shown)} of {len(rows)})" if len(rows) > len(shown) else ""
    figure, axes = _figure(1.4 + 0.24 * len(shown), title + more)
    left = [0.0] * len(shown)
    for key, colour in colours.items():
        scale = [100 / max(row["notes"], 1) if share else 1 for row in shown]
        widths = [row[key] * factor for row, factor in zip(shown, scale, strict=True)]
        axes.barh(range(len(shown)), widths, left=left, color=colour, height=0.8, label=key.replace("_", " "))
        left = [start + width for start, width in zip(left, widths, strict=True)]
    axes.set_yticks(range(len(shown)), [row[name] for row in shown], fontsize=8)
    axes.set_ylim(len(shown) - 0.4, -0.6)
    axes.set_xlabel(unit)
    if share:
        axes.set_xlim(0, 100)
    figure.legend(*axes.get_legend_handles_labels(), loc="outside lower center", ncols=6, fontsize=8, frameon=False)
    return figure


def findings_by_item(rows: Rows) -> Figure:
    """Findings by item, split by side."""
    return _stacked(rows, "item", SIDE_COLOURS, "Findings by item and side", "findings", share=False)


def omissions_by_slot(rows: Rows) -> Figure:
    """Slots of the core screen by state, the most often omitted first."""
    core = [row for row in rows if row["required_by"] == "core_screen"]
    unit = "% of the notes that require the slot"
    return _stacked(core, "item", STATE_COLOURS, "Slots of the core screen, most omitted first", unit, share=True)


def omissions_by_clinician(rows: Rows) -> Figure:
    """Omission rate by clinician with 95 % intervals."""
    shown = list(rows[:MOST_BARS])
    more = f" (first {len(shown)} of {len(rows)})" if len(rows) > len(shown) else ""
    figure, axes = _figure(1.4 + 0.26 * len(shown), "Omission rate by clinician, 95 % interval" + more)
    rates = [100 * row["omission_rate"] for row in shown]
    low = [max(0.0, 100 * (row["omission_rate"] - row["low"])) for row in shown]
    high = [max(0.0, 100 * (row["high"] - row["omission_rate"])) for row in shown]
    axes.errorbar(rates, range(len(shown)), xerr=[low, high], fmt="o", color="#0072B2", ecolor="#999999", capsize=3)
    axes.set_yticks(range(len(shown)), [f"{row['clinician']} ({row['notes']})" for row in shown], fontsize=8)
    axes.set_ylim(len(shown) - 0.4, -0.6)
    axes.set_xlim(left=0)
    axes.set_xlabel("% of required slots without a result (number of notes in brackets)")
    return figure


def unread_by_month(rows: Rows) -> Figure:
    """Share of unread words by month."""
    figure, axes = _figure(3.0, "Unread words")
    axes.plot(
        range(len(rows)),
        [100 * row["unread_rate"] for row in rows],
        marker="o",
        color="#D55E00",
        markersize=4,
    )
    _months(axes, [row["month"] for row in rows])
    axes.set_ylim(bottom=0)
    axes.set_ylabel("% of words")
    return figure


PLOTS: dict[str, tuple[Callable[[Rows], Figure], str]] = {
    "notes_over_time": (notes_over_time, "Bar chart of the number of notes by month"),
    "findings_by_item": (findings_by_item, "Stacked bars of findings by item, split by side"),
    "omissions_by_slot": (omissions_by_slot, "Stacked bars of the states of required slots"),
    "omissions_by_clinician": (omissions_by_clinician, "Omission rates by clinician with intervals"),
    "unread_by_month": (unread_by_month, "Line of the share of unread words by month"),
}


def draw(name: str, rows: Rows, folder: Path) -> Path | None:
    """Draw the plot of a table into `folder`; None when it has no plot or there is nothing to draw."""
    if name not in PLOTS or not rows:
        return None
    path = folder / f"{name}.png"
    PLOTS[name][0](rows).savefig(path, metadata={"Software": None})
    return path
