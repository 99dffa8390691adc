"""The independent FHIR validators as one function: the npm ones run in a single Node process."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

FOLDER = Path(__file__).parents[2] / "tools" / "fhir"


def node_faults(bundles: list[dict[str, Any]]) -> list[dict[str, list[str]]]:
    """Faults of each bundle by validator ("schema": official R4 JSON schema, "profile": R4 base profiles).

    Skips the test where Node or the packages are absent (npm ci in tests/tools/fhir brings them).
    """
    node = shutil.which("node")
    if node is None or not (FOLDER / "node_modules").is_dir():
        pytest.skip("Node or tests/tools/fhir/node_modules is absent: run npm ci there")
    done = subprocess.run(
        [node, "validate.js"],
        cwd=FOLDER,
        input="".join(json.dumps(bundle) + "\n" for bundle in bundles),
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=True,
        timeout=170,
    )
    faults = [json.loads(line) for line in done.stdout.splitlines()]
    assert len(faults) == len(bundles), done.stderr
    return faults
