"""Runs the real `dictate` program in a process of its own and reads what it prints."""

import json
import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[3]

LINES = (
    "romberg negative",
    "tone normal in both arms",
    "finger nose normal on the right",
    "right knee jerk two plus",
    "left knee jerk two plus",
    "right ankle jerk absent",
    "what is missing",
    "left ankle jerk two plus",
    "plantars flexor",
)


def environment(home, **more):
    kept = {name: value for name, value in os.environ.items() if not name.startswith("SPOKEN_EXAM_")}
    return {
        **kept,
        "SPOKEN_EXAM_HOME": str(home),
        "PYTHONPATH": os.pathsep.join([str(ROOT), kept.get("PYTHONPATH", "")]),
        **more,
    }


def started(arguments, home, *, prefix=(), **more):
    """The program, running, its output as text lines."""
    return subprocess.Popen(
        [*prefix, sys.executable, "-m", "dictate", *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        env=environment(home, **more),
    )


def finished(arguments, home, *, prefix=(), status=0, **more):
    """The program run to its end: what it printed. Fails when it ends otherwise than with `status`."""
    process = started(arguments, home, prefix=prefix, **more)
    out, err = process.communicate(timeout=240)
    assert process.returncode == status, f"{out[-2000:]}\n{err[-4000:]}"
    return out, err


def events(text, kind=None):
    """The JSON objects among the lines, of one kind or of all."""
    found = []
    for line in text.splitlines():
        if line.startswith("{"):
            try:
                found.append(json.loads(line))
            except ValueError:  # the last line of a killed program
                continue
    return [event for event in found if kind in (None, event.get("event"))]


def short(finding):
    """What must be the same when the same words are heard twice."""
    return (
        finding["item"],
        finding["site"],
        finding["side"],
        finding["status"],
        finding["grade"],
        finding["text"],
    )
