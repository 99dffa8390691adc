"""What is examined: items, stations, scales, the core screen and the add-on pieces, loaded from data/protocols."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from grammar.data_files import DATA, read_toml, validate
from grammar.errors import DataError, Fault

Kind = Literal["function", "sign", "test"]
Default = Literal["habit", "single", "midline"]


class _Data(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Station(_Data):
    """A part of the walk through the examination."""

    label: str
    about: str = ""


class Item(_Data):
    """One thing that is examined. `kind` says what presence means, `default` what a missing side means."""

    id: str
    label: str
    station: str
    sided: bool
    sites: tuple[str, ...] = ()
    scale: str | None = None
    describe: tuple[str, ...] = ()
    about: str = ""
    kind: Kind = "function"
    default: Default = "habit"


class Scale(_Data):
    """A published scale with its source."""

    source: str
    values: tuple[str, ...] = ()
    normal: tuple[str, ...] = ()
    min: int | None = None
    max: int | None = None
    parts: dict[str, tuple[int, int]] = Field(default_factory=dict)
    numerators: tuple[int, ...] = ()
    pattern: str | None = None


class Catalogue(_Data):
    """Everything that can be examined. Keys of `core_screen` are stations, of `addons` complaints."""

    items: dict[str, Item]
    stations: dict[str, Station]
    scales: dict[str, Scale]
    core_screen: dict[str, tuple[str, ...]]
    addons: dict[str, tuple[str, ...]]
    areas: tuple[str, ...]

    def __eq__(self, other: object) -> bool:
        return self is other

    def __hash__(self) -> int:
        """By identity: a catalogue is loaded once and never changes, so it can be the key of a cache."""
        return id(self)

    def item_label(self, item: str, site: str | None = None) -> str:
        """The wording shown to people, e.g. "Tendon reflex, knee"."""
        label = self.items[item].label
        return f"{label}, {site_label(site)}" if site else label


def site_label(site: str) -> str:
    """A site as people read it: "first_dorsal_web" -> "first dorsal web"; C5 stays C5."""
    return site.replace("_", " ")


class _ItemRow(_Data):
    label: str
    station: str
    sided: bool
    sites: tuple[str, ...] | Literal["areas"] = ()
    scale: str | None = None
    describe: tuple[str, ...] = ()
    about: str = ""
    kind: Kind = "function"
    default: Default = "habit"


class _CatalogueFile(_Data):
    areas: tuple[str, ...]
    stations: dict[str, Station]
    items: dict[str, _ItemRow]


class _ScreenFile(_Data):
    core_screen: dict[str, tuple[str, ...]]
    addons: dict[str, tuple[str, ...]]


class _ScalesFile(_Data):
    scales: dict[str, Scale]


class _ClinicFile(_Data):
    """A file of a clinic's own protocols/ folder: what it adds to the built-in catalogue."""

    areas: tuple[str, ...] = ()
    stations: dict[str, Station] = Field(default_factory=dict)
    items: dict[str, _ItemRow] = Field(default_factory=dict)
    core_screen: dict[str, tuple[str, ...]] = Field(default_factory=dict)
    addons: dict[str, tuple[str, ...]] = Field(default_factory=dict)


@lru_cache(maxsize=4)
def catalogue(extra: tuple[Path, ...] = ()) -> Catalogue:
    """The built-in catalogue, with a clinic's folders. Raises DataError with every fault of the protocol files."""
    return load_catalogue(extra)


def load_catalogue(extra: Iterable[Path] = ()) -> Catalogue:
    """Read and cross-check data/protocols, data/scales.toml and protocols/*.toml of a clinic's folders."""
    faults: list[Fault] = []
    folder = DATA / "protocols"
    items = validate(_CatalogueFile, read_toml(folder / "catalogue.toml"), "catalogue.toml", "file", faults)
    screen = validate(_ScreenFile, read_toml(folder / "quick_screen.toml"), "quick_screen.toml", "file", faults)
    scales = validate(_ScalesFile, {"scales": read_toml(DATA / "scales.toml")}, "scales.toml", "file", faults)
    own = _clinic_files(extra, faults)
    if items is None or screen is None or scales is None or faults:
        raise DataError(faults)
    places: dict[str, str] = {}
    rows, stations, areas = dict(items.items), dict(items.stations), list(items.areas)
    core, addons = dict(screen.core_screen), dict(screen.addons)
    for file, added in own:
        areas += [area for area in added.areas if area not in areas]
        for name, station in added.stations.items():
            stations.setdefault(name, station)
        for name, row in added.items.items():
            if name in rows:
                faults.append(Fault(file, f"items.{name}", "this item exists already.", "choose another name."))
            rows[name] = row
            places[name] = file
        for parts, more in ((core, added.core_screen), (addons, added.addons)):
            for name, slots in more.items():
                parts[name] = (*parts.get(name, ()), *(slot for slot in slots if slot not in parts.get(name, ())))
                places.setdefault(name, file)
    built = Catalogue(
        items={
            name: Item(id=name, **{**row.model_dump(), "sites": tuple(areas) if row.sites == "areas" else row.sites})
            for name, row in rows.items()
        },
        stations=stations, scales=scales.scales, areas=tuple(areas), core_screen=core, addons=addons,
    )  # fmt: skip
    faults.extend(_cross_check(built, places))
    if faults:
        raise DataError(faults)
    return built


def _clinic_files(extra: Iterable[Path], faults: list[Fault]) -> list[tuple[str, _ClinicFile]]:
    """(file, content) of every protocols/*.toml of the folders; faults are collected."""
    found = []
    for root in extra:
        for path in sorted((root / "protocols").glob("*.toml")):
            try:
                content = read_toml(path)
            except DataError as error:
                faults.extend(error.faults)
                continue
            added = validate(_ClinicFile, content, str(path), "file", faults)
            if added is not None:
                found.append((str(path), added))
    return found


def _cross_check(built: Catalogue, places: dict[str, str]) -> list[Fault]:
    """Names that do not exist; `places` says which file an added item, part or add-on came from."""
    faults = []
    for name, item in built.items.items():
        file = places.get(name, "catalogue.toml")
        if item.station not in built.stations:
            faults.append(Fault(file, f"items.{name}.station", f"unknown station {item.station!r}.",
                                "use one of the stations of the catalogue, or add it."))  # fmt: skip
        if item.scale is not None and item.scale not in built.scales:
            faults.append(Fault(file, f"items.{name}.scale", f"unknown scale {item.scale!r}.",
                                "use a scale of scales.toml."))  # fmt: skip
    for part, slots in (*built.core_screen.items(), *built.addons.items()):
        file = places.get(part, "quick_screen.toml")
        for slot in slots:
            name, _, site = slot.partition(":")
            if name not in built.items:
                faults.append(Fault(file, part, f"unknown item {name!r}.", "use a catalogue item."))
            elif site and site not in built.items[name].sites:
                faults.append(Fault(file, part, f"{name} has no site {site!r}.", "use a site of that item."))
    return faults
