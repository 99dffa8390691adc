"""Puts the parts of a live examination together: source, engine, grammar, screens; runs and keeps it."""

from __future__ import annotations

import contextlib
import shutil
import signal
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from dictate.audio.source import Source
from dictate.engines.engine import Engine
from dictate.errors import DictateError, InputError, SettingsError
from dictate.live import folder as folders
from dictate.live import journal, recover, sounds
from dictate.live.board.server import Board, BoardPlan
from dictate.live.capture import Paced
from dictate.live.commands import Command
from dictate.live.ears import Ears
from dictate.live.folder import LiveFolder
from dictate.live.keep import keep
from dictate.live.run import Examination, LivePlan, Reading
from dictate.live.screen import JsonLines, Lines, Moment, Screen
from dictate.live.state import LiveState
from dictate.live.terminal import Terminal, keyboard
from dictate.live.view import View
from dictate.live.voice import Speaker, Voice
from dictate.settings import Settings

LOW_SPACE_BYTES = 300 * 1024 * 1024  # an hour of sound is 115 MB


@dataclass(frozen=True)
class Wishes:
    """The options of `dictate live`."""

    device: str | None = None
    file: Path | None = None
    speed: float = 1.0
    complaint: tuple[str, ...] = ()
    keep_sound: bool = True
    board: BoardPlan | None = field(default_factory=BoardPlan)
    volume: sounds.Volume = "off"
    speak: bool = False
    output: str = "terminal"  # terminal, lines or json


class BoardScreen:
    """The board as one of the screens."""

    def __init__(self, board: Board) -> None:
        self._board = board

    def show(self, view: View, moment: Moment) -> None:
        self._board.feed.publish("view", view.model_dump_json())

    def meter(self, level: float, moment: Moment) -> None:
        self._board.feed.publish("meter", f'{{"level":{level:.2f},"elapsed_s":{moment.elapsed_s:.1f}}}')

    def close(self) -> None:
        self._board.close()


def reading() -> Reading:
    """The grammar, ready to read."""
    import grammar

    return Reading(grammar.parse, grammar.catalogue(), grammar.GRAMMAR_VERSION)


def live_root(settings: Settings) -> Path:
    """Where the folders of live examinations are."""
    return settings.folders.data / "live"


def pieces(catalogue: Any, wished: Sequence[str]) -> tuple[str, ...]:
    """Identifiers of add-on pieces: "foot drop" -> "foot_drop"; SettingsError names the known ones."""
    chosen = tuple(wish.strip().lower().replace(" ", "_").replace("-", "_") for wish in wished)
    unknown = [wish for wish, name in zip(wished, chosen, strict=True) if name not in catalogue.addons]
    if unknown:
        known = ", ".join(name.replace("_", " ") for name in catalogue.addons)
        raise SettingsError(f"There is no piece for the complaint {unknown[0]!r}; known are: {known}.")
    return chosen


def take(
    wishes: Wishes, settings: Settings, make_engine: Callable[[], Engine], tell: Callable[[str], None]
) -> tuple[LiveState, str]:
    """Run one live examination from start to kept draft; `tell` prints a line before the screens open."""
    read = reading()
    complaint = pieces(read.catalogue, wishes.complaint)
    voice = Voice() if wishes.speak else None
    ears = Ears(make_engine, settings.sound)
    for line in restore(settings, read, ears):
        tell(line)
    home = folders.create(live_root(settings))
    if shutil.disk_usage(home.path).free < LOW_SPACE_BYTES:
        tell("The disk has room for less than an hour or two of sound. Free some space before you begin.")
    plan = LivePlan(
        _opener(wishes, settings),
        str(wishes.file or wishes.device or "microphone"),
        complaint,
        wishes.keep_sound,
        wishes.volume,
    )
    examination = Examination(plan, home, ears, read, [])
    if voice is not None:
        examination.speak_with(Speaker(voice, examination.mute))
    board = _open_board(wishes, examination, tell)
    try:
        examination.screens += [_output(wishes.output), *([BoardScreen(board)] if board else [])]
        with keyboard(examination.press), _stopped_by_signals(examination.press):
            state = examination.run()
        draft = _keep(examination, state, home)
    except DictateError:
        examination.close(None)
        raise
    finally:
        for screen in examination.screens:
            screen.close()
        home.unlock()
    return state, draft


def _keep(examination: Examination, state: LiveState, home: LiveFolder) -> str:
    draft = keep(state, home)
    examination.close(draft)
    return draft


def restore(settings: Settings, read: Reading, ears: Ears) -> Iterator[str]:
    """Finish what a crash interrupted, one sentence each."""
    for home in folders.unfinished(live_root(settings)):
        try:
            result, draft = restore_one(read, home, ears)
            yield f"Restored an interrupted examination ({result.sound_s:.0f} s of sound) as draft {draft}."
        except DictateError as error:
            yield f"The interrupted examination in {home.path} could not be restored: {error}"
        finally:
            home.unlock()


def interrupted(settings: Settings, folder: Path | None) -> list[LiveFolder]:
    """The locked folders to restore: the named one, or all interrupted ones."""
    if folder is None:
        return list(folders.unfinished(live_root(settings)))
    home = LiveFolder(folder)
    if not home.sound.exists() and not home.journal.exists():
        raise InputError(
            f"{folder} is not the folder of a live examination (it holds no sound.au and no journal)."
        )
    if not home.lock():
        raise InputError(f"The examination in {folder} is still running; end it first.")
    return [home]


def restore_one(
    read: Reading, home: LiveFolder, ears: Ears, *, again: bool = False
) -> tuple[recover.Recovered, str]:
    """Restore one folder, from journal and tail or (`again`) all its sound; also gives the draft's name."""
    work = recover.reread if again else recover.finish
    result = work(read.parse, home, ears)
    ears.fresh()
    return result, settle(result, home)


def settle(result: recover.Recovered, home: LiveFolder) -> str:
    """Write a recovered draft: the utterances read anew into its journal, its note, its end."""
    draft = keep(result.state, home)
    log = journal.Journal(home.journal)
    for final in result.read_anew:
        log.append("utterance", **journal.utterance_facts(final))
    log.append("closed", at_s=result.sound_s, reason="recovered", draft=draft, sync=True)
    log.close()
    home.give_spare()
    return draft


def _opener(wishes: Wishes, settings: Settings) -> Callable[[], Source]:
    if wishes.file is not None:
        from dictate.audio.sound_file import SoundFile

        file = wishes.file
        if wishes.speed <= 0:
            return lambda: SoundFile(file)
        return lambda: Paced(SoundFile(file), wishes.speed)
    from dictate.audio.microphone import Microphone

    return lambda: Microphone(wishes.device or settings.sound.device)


def _output(kind: str) -> Screen:
    if kind == "json":
        return JsonLines()
    return Terminal() if kind == "terminal" and sys.stdout.isatty() else Lines()


def _open_board(wishes: Wishes, examination: Examination, tell: Callable[[str], None]) -> Board | None:
    if wishes.board is None:
        return None
    board = Board(wishes.board, examination.press, lambda code: tell(f"Code for the next browser: {code}"))
    tell(f"Room board: {board.address}")
    if board.certificate is not None:
        tell("Its certificate is its own; the browser will ask. Compare the SHA-256 fingerprint:")
        tell("  " + board.certificate.fingerprint)
    return board


@contextlib.contextmanager
def _stopped_by_signals(press: Callable[[Command], None]) -> Iterator[None]:
    """Ctrl-C or a polite kill ends the examination properly; a second Ctrl-C stops at once."""
    before = {}

    def end(number: int, _frame: object) -> None:
        press(Command("end"))
        signal.signal(signal.SIGINT, signal.default_int_handler)

    for number in (signal.SIGINT, signal.SIGTERM):
        before[number] = signal.signal(number, end)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
