"""The default embedded recogniser: a small neural model whose beam search knows the examination's own
language.

`pieces.py` and `numerals.py` fold the network's writing into spoken words, `net.py` runs it, `language.py`
is the language model (`build.py`, `templates.py` make it), `search.py` joins the two, `choice.py` picks among close
readings, `certainty.py` and `times.py` say how sure and when, `engine.py` is the Engine.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from dictate.engines.engine import Engine


def open_engine(
    cache: Path, clinic: tuple[str, ...] = (), ear: Engine | None = None, folders: Sequence[Path] = ()
) -> Engine:
    """The engine, its language model kept in `cache`; `ear`: another second ear than its own; `folders`: a clinic's own
    data for the grammar. EngineError when a package or the model is missing."""
    from dictate.engines.fused.engine import open_engine as open_now

    return open_now(cache, clinic, ear, folders)
