"""What is examined: items, stations, scales, the core screen and the add-on pieces, loaded from data/protocols."""

from __future__ import annotations

from functools import lru_cache
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


@lru_cache(maxsize=1)
def catalogue() -> Catalogue:
    """The built-in catalogue. Raises DataError with every fault of the protocol files."""
    return load_catalogue()


def load_catalogue() -> Catalogue:
    """Read and cross-check data/protocols and data/scales.toml."""
    faults: list[Fault] = []
    folder = DATA / "protocols"
    items = validate(_CatalogueFile, read_toml(folder / "catalogue.toml"), "catalogue.toml", "file", faults)
    screen = validate(_ScreenFile, read_toml(folder / "quick_screen.toml"), "quick_screen.toml", "file", faults)
    scales = validate(_ScalesFile, {"scales": read_toml(DATA / "scales.toml")}, "scales.toml", "file", faults)
    if items is None or screen is None or scales is None:
        raise DataError(faults)
    rows = {
        name: Item(id=name, **{**row.model_dump(), "sites": items.areas if row.sites == "areas" else row.sites})
        for name, row in items.items.items()
    }
    built = Catalogue(
        items=rows,
        stations=items.stations,
        scales=scales.scales,
        areas=items.areas,
        core_screen=screen.core_screen,
        addons=screen.addons,
    )
    faults.extend(_cross_check(built))
    if faults:
        raise DataError(faults)
    return built


def _cross_check(built: Catalogue) -> list[Fault]:
    faults = []
    for name, item in built.items.items():
        if item.station not in built.stations:
            faults.append(
                Fault(
                    "catalogue.toml",
                    f"items.{name}.station",
                    f"unknown station {item.station!r}.",
                    "use one of the stations of this file.",
                )
            )
        if item.scale is not None and item.scale not in built.scales:
            faults.append(
                Fault(
                    "catalogue.toml",
                    f"items.{name}.scale",
                    f"unknown scale {item.scale!r}.",
                    "use a scale of scales.toml.",
                )
            )
    for part, slots in (*built.core_screen.items(), *built.addons.items()):
        for slot in slots:
            name, _, site = slot.partition(":")
            if name not in built.items:
                faults.append(Fault("quick_screen.toml", part, f"unknown item {name!r}.", "use a catalogue item."))
            elif site and site not in built.items[name].sites:
                faults.append(
                    Fault("quick_screen.toml", part, f"{name} has no site {site!r}.", "use a site of that item.")
                )
    return faults
