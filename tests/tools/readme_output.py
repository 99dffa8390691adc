"""Fills the output blocks of README.md with what the commands really print.

    python -m tests.tools.readme_output

A block is the code block after `<!-- output: COMMAND -->`. `| cut N TEXT` at its end shortens the part that
begins with the line TEXT to N lines and says how many more there are; `| finding` keeps the first finding.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
BLOCK = re.compile(r"(<!-- output: (.*?) -->\n```\w+\n)(.*?)(^```$)", re.MULTILINE | re.DOTALL)


def cut(text: str, count: int, heading: str) -> str:
    """The text with only `count` of the indented lines under the heading."""
    lines = text.splitlines()
    start = lines.index(heading) + 1
    end = next((n for n in range(start, len(lines)) if not lines[n].startswith("  ")), len(lines))
    left_out = end - start - count
    if left_out <= 0:
        return text
    return "\n".join([*lines[: start + count], f"  ... ({left_out} more)", *lines[end:]]) + "\n"


def output(line: str) -> str:
    """What a README line prints, in an empty home."""
    line, *filters = re.split(r" \| (?=cut |finding)", line)
    command = re.sub(r"(^|\| )dictate ", rf"\1{sys.executable} -m dictate ", line)
    with tempfile.TemporaryDirectory() as home:
        done = subprocess.run(
            ["bash", "-o", "pipefail", "-c", command],
            cwd=ROOT,
            env={**os.environ, "SPOKEN_EXAM_HOME": home},
            capture_output=True,
            text=True,
            check=True,
        )
    text = done.stdout
    for wish in filters:
        if wish == "finding":
            pairs = json.loads(text)["findings"][0].items()
            text = "{\n" + ",\n".join(f' "{key}": {json.dumps(value)}' for key, value in pairs) + "\n}\n"
        else:
            _, count, heading = wish.split(" ", 2)
            text = cut(text, int(count), heading)
    return text


def main() -> None:
    """Rewrite README.md in place."""
    path = ROOT / "README.md"
    text = path.read_text(encoding="utf-8")
    path.write_text(BLOCK.sub(lambda m: m[1] + output(m[2]) + m[4], text), encoding="utf-8")


if __name__ == "__main__":
    main()
