"""Puts the parts of a live examination together: source, engine, grammar, screens; runs and keeps it."""

from __future__ import annotations

import contextlib
import shutil
import signal
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

from dictate.audio.source import Source
from dictate.engines.engine import Engine
from dictate.errors import DictateError, InputError, SettingsError, StoreError
from dictate.live import folder as folders
from dictate.live import journal, recover, sounds
from dictate.live.board.server import Board, BoardPlan
from dictate.live.capture import Paced
from dictate.live.commands import Command
from dictate.live.ears import Ears
from dictate.live.folder import LiveFolder
from dictate.live.keep import facts_of, keep
from dictate.live.plan import LivePlan
from dictate.live.run import Examination
from dictate.live.screen import JsonLines, Lines, Moment, Screen
from dictate.live.state import LiveState, Reading
from dictate.live.terminal import Terminal, keyboard
from dictate.live.view import View
from dictate.live.voice import Speaker, Voice
from dictate.settings import Settings
from dictate.storage import Store, open_store

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
    patient_ref: str = ""
    clinician: str = ""
    output: str = "terminal"  # or "json"


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


def reading(settings: Settings | None = None) -> Reading:
    """The grammar, with the clinic's own folder of phrases and pieces, ready to read."""
    import grammar
    from dictate.hearing import finish_note

    own = settings.speech.phrases if settings is not None else None
    clinic = (own,) if own is not None else ()
    parse = partial(grammar.parse, folders=clinic)
    return Reading(parse, finish_note, grammar.catalogue(clinic), grammar.GRAMMAR_VERSION)


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
    wishes: Wishes,
    settings: Settings,
    make_engine: Callable[[], Engine],
    tell: Callable[[str], None],
    read: Reading | None = None,
) -> tuple[LiveState, str]:
    """Run one live examination from start to kept draft; `tell` prints a line before the screens open.

    Returns the last state and the draft's number. When something could not be kept, a StoreError says
    where it waits for `dictate recover`.
    """
    read = read or reading(settings)
    complaint = pieces(read.catalogue, wishes.complaint)
    voice = Voice() if wishes.speak else None
    with open_store(settings, say=tell) as store:
        ears = Ears(make_engine, settings.sound)
        for line in restore(settings, read, ears, store):
            tell(line)
        home = folders.create(live_root(settings))
        try:
            if shutil.disk_usage(home.path).free < LOW_SPACE_BYTES:
                tell("The disk has room for less than two hours of sound. Free some space first.")
            plan = LivePlan(
                open_source=_opener(wishes, settings),
                source_name=str(wishes.file or wishes.device or settings.sound.device or "microphone"),
                patient=wishes.file is not None and wishes.speed <= 0,
                complaint=complaint,
                keep_sound=wishes.keep_sound,
                volume=wishes.volume,
                patient_ref=wishes.patient_ref,
                clinician=wishes.clinician,
            )
            examination = Examination(plan, home, ears, read)
            if voice is not None:
                examination.speak_with(Speaker(voice, examination.mute))
            with _screens(wishes, examination, tell):
                return _run_and_keep(examination, home, store)
        finally:
            home.unlock()


def _run_and_keep(examination: Examination, home: LiveFolder, store: Store) -> tuple[LiveState, str]:
    try:
        terminal = next((screen for screen in examination.screens if isinstance(screen, Terminal)), None)
        arm = terminal.arm if terminal is not None else lambda: None
        with keyboard(examination.press, arm), _stopped_by_signals(examination.press):
            state = examination.run()
    except DictateError:
        examination.close(None)
        if examination.capture.position_s == 0:
            home.remove()  # no microphone, no such file: there is nothing to keep
        raise
    try:
        if not examination.complete():
            raise StoreError(
                f"The examination is not complete yet: {examination.what_waits()}. It is safe in "
                f"{home.path}; run `dictate recover`."
            )
        facts = facts_of(journal.read(home.journal))
        draft = str(keep(store, state, home, facts, sound=examination.plan.keep_sound))
    except BaseException:
        examination.close(None)
        raise
    examination.close(draft)
    home.remove()
    return state, draft


def restore(settings: Settings, read: Reading, ears: Ears, store: Store) -> Iterator[str]:
    """Finish what a crash interrupted, one sentence each."""
    for home in folders.unfinished(live_root(settings)):
        try:
            result, draft = restore_one(read, home, ears, store)
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
        raise InputError(f"{folder} is not the folder of a live examination (no sound.au, no journal.jsonl).")
    if not home.lock():
        raise InputError(f"The examination in {folder} is still running; end it first.")
    return [home]


def restore_one(
    read: Reading, home: LiveFolder, ears: Ears, store: Store | None, *, again: bool = False
) -> tuple[recover.Recovered, str]:
    """Restore one folder, from journal and tail or (`again`) all its sound; returns its draft too.

    Without a store nothing is kept or removed (a look only).
    """
    work = recover.reread if again else recover.finish
    result = work(read, home, ears)
    ears.fresh()
    if store is None:
        return result, ""
    log = journal.read(home.journal)
    keep_sound = bool(log.opened.get("keep_sound", True))
    draft = str(keep(store, result.state, home, facts_of(log), sound=keep_sound))
    home.remove()
    return result, draft


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


@contextlib.contextmanager
def _screens(wishes: Wishes, examination: Examination, tell: Callable[[str], None]) -> Iterator[None]:
    """Open board and terminal view while the block runs."""
    if wishes.board is not None:
        board = Board(wishes.board, examination.press, lambda code: tell(f"Code for the next browser: {code}"))
        examination.screens.append(BoardScreen(board))
        tell(f"Room board: {board.address}")
        if board.certificate is not None:
            tell("The browser will ask about its certificate, which is self-made. SHA-256 fingerprint:")
            tell("  " + board.certificate.fingerprint)
    try:
        examination.screens.append(_output(wishes.output))
        yield
    finally:
        for screen in examination.screens:
            screen.close()


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
