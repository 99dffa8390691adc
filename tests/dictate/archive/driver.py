"""Runs an archive with the stand-in parser in a process of its own, so that a test can kill it."""

from __future__ import annotations

import dataclasses
import json
import sys
from pathlib import Path

from dictate.archive.run import ArchiveOptions, run_archive
from dictate.errors import DictateError
from tests.dictate.archive.stand_in import PARSER


class Silent:
    """A watcher that shows nothing."""

    def kept(self, part: object) -> None:
        """Ignore."""

    def read(self, part_units: int, notes: int, rejects: int) -> None:
        """Ignore."""

    def tick(self) -> None:
        """Ignore."""


def main(source: str, out: str, options: str) -> None:
    """Run, print the summary as JSON; a known fault is one line on stderr and exit code 1."""
    try:
        chosen = ArchiveOptions.model_validate({"parser": PARSER, **json.loads(options)})
        print(json.dumps(dataclasses.asdict(run_archive(Path(source), Path(out), chosen, Silent()))))
    except DictateError as error:
        print(error, file=sys.stderr)
        sys.exit(1)


if __name__ == "__main__":
    main(*sys.argv[1:])
