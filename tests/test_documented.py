"""README.md and DEVELOPERS.md against the program: commands, options, files, tests and pictures that they name."""

import re
import shlex
import subprocess
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import typer

from dictate.cli import build

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
COMMAND: Any = typer.main.get_command(build())


def commands(command: Any = COMMAND, path: tuple[str, ...] = ()) -> Iterator[tuple[str, Any]]:
    """Every command a user can type, groups included, with its words."""
    if path:
        yield " ".join(path), command
    for name, below in sorted(getattr(command, "commands", {}).items()):
        if not below.hidden:
            yield from commands(below, (*path, name))


def blocks(text: str) -> Iterator[str]:
    """The lines of the shell blocks, continued lines joined."""
    for block in re.findall(r"^```(?:sh|console)\n(.*?)^```", text, re.MULTILINE | re.DOTALL):
        yield from block.replace("\\\n", " ").splitlines()


def typed(text: str) -> list[str]:
    """Every `dictate ...` that the text tells the reader to type: in shell blocks and between back quotes."""
    found = []
    for line in [*blocks(text), *re.findall(r"`([^`\n]+)`", text)]:
        for part in re.split(r"&&|\|(?=\s)|;(?=\s)", line):
            words = part.split(" # ")[0].strip().removeprefix("$ ").removeprefix("printf ")
            match = re.match(r"(?:\.venv/bin/)?dictate\s+(?=[a-z-])(.*)", words)
            if match:
                found.append(match[1].strip())
    return found


def marked(name: str) -> str:
    """The shell block after `<!-- name -->`, which .ci/run executes too."""
    match = re.search(rf"^<!-- {name} -->\n```sh\n(.*?)^```", README, re.MULTILINE | re.DOTALL)
    assert match, f"README.md has no block marked {name!r}"
    return match[1].strip()


def resolve(line: str) -> tuple[Any, list[str]]:
    """The command that a line calls and the words left for it."""
    words = shlex.split(line.replace("...", "x"), comments=True)
    command = COMMAND
    while words and words[0] in getattr(command, "commands", {}):
        command = command.commands[words.pop(0)]
    assert command is not COMMAND, f"`dictate {line}`: there is no such command"
    return command, words


@pytest.mark.parametrize(("name", "command"), list(commands()), ids=[name for name, _ in commands()])
def test_every_command_has_help_and_is_documented(name: str, command: Any) -> None:
    assert command.help, f"dictate {name} has no help"
    for parameter in command.params:
        if parameter.param_type_name == "option" and parameter.name != "help" and not parameter.hidden:
            assert parameter.help, f"dictate {name} {parameter.opts[0]} has no help"
    assert re.search(rf"dictate {name}\b", README), f"README.md does not name `dictate {name}`"


@pytest.mark.parametrize("line", sorted({*typed(README), *typed(DEVELOPERS)}))
def test_every_command_that_is_written_down_exists_with_its_options(line: str) -> None:
    command, words = resolve(line)
    options = {option for parameter in command.params for option in (*parameter.opts, *parameter.secondary_opts)}
    options |= {"--help"}
    for word in words:
        if word.startswith("-") and word != "-":
            name = word.split("=")[0]
            if name not in options and getattr(command, "commands", None):  # a group with a default command
                options |= {
                    option
                    for below in command.commands.values()
                    for parameter in below.params
                    for option in parameter.opts
                }
            assert name in options, f"`dictate {line}`: {name} is no option of it"


def test_the_two_commands_of_a_newcomer_come_first_and_do_all_the_setting_up() -> None:
    first = re.findall(r"^```sh\n(.*?)^```", README, re.MULTILINE | re.DOTALL)[:2]
    assert [text.strip() for text in first] == [marked("main job"), marked("tests")]
    for text in first:
        assert text.startswith("python3 -m venv .venv && .venv/bin/pip install -q -e ")
        assert "\n" not in text.strip()
    assert "samples/" in marked("main job")
    assert (ROOT / re.findall(r"samples/\S+", marked("main job"))[0]).is_file()


@pytest.mark.parametrize("text", [README, DEVELOPERS], ids=["README.md", "DEVELOPERS.md"])
def test_linked_files_and_pictures_exist(text: str) -> None:
    for target in re.findall(r"\]\(([^)#\s]+)\)", text):
        if not target.startswith(("https://", "http://")):
            assert (ROOT / target).exists(), f"{target} does not exist"


def test_files_that_the_developers_guide_names_exist() -> None:
    named = re.findall(r"`((?:dictate|grammar|tests|samples|\.ci)/[\w./-]+\w)`", DEVELOPERS)
    assert len(named) > 20
    missing = [name for name in named if not (ROOT / name).exists()]
    assert not missing


def test_functions_on_the_way_of_a_phrase_exist() -> None:
    """`file.py: name` in DEVELOPERS.md: the file defines the name."""
    pairs = re.findall(r"`([\w/]+\.py): ([\w.]+)`", DEVELOPERS)
    assert len(pairs) > 8
    for file, name in pairs:
        source = (ROOT / file).read_text(encoding="utf-8")
        assert re.search(rf"^\s*(?:def|class) {name.split('.')[-1]}\b", source, re.MULTILINE), f"{file}: {name}"


def test_extras_that_are_written_down_exist_and_every_extra_is_documented() -> None:
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["optional-dependencies"]
    named = {name for group in re.findall(r"(?:-e '?\.|spoken-exam)\[([\w,-]+)\]", README) for name in group.split(",")}
    assert named <= extras.keys()
    assert {name for name in extras if f"`{name}`" not in README and name not in named} == set()


def test_the_check_script_runs_the_commands_of_the_readme() -> None:
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    reader = re.search(r"^readme_command\(\).*?^}", script, re.MULTILINE | re.DOTALL)
    assert reader
    for name in ("main job", "tests"):
        got = subprocess.run(
            ["bash", "-c", f'{reader[0]}\nreadme_command "{name}"'],
            cwd=ROOT,
            capture_output=True,
            text=True,
            check=True,
        )
        assert got.stdout.strip() == marked(name)
