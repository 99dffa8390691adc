"""Freed memory goes back to the system.

The C library of Linux keeps what a program freed for the program's next wish, and gives back only what lies at
the end of its heap. Loading the models leaves some 150 MB of such holes, and in a long examination the recogniser's
arrays of ever new sizes make them grow in steps. `malloc_trim` (glibc, malloc_trim(3)) hands the holes back.
"""

from __future__ import annotations

import ctypes
from functools import cache
from typing import Any


def give_back() -> None:
    """Hand freed memory back; takes some milliseconds. Does nothing where the C library is another one."""
    trim = _trim()
    if trim is not None:
        trim(0)


@cache
def _trim() -> Any:
    try:
        return ctypes.CDLL(None).malloc_trim
    except (AttributeError, OSError, TypeError):  # not glibc; Windows takes no None
        return None
