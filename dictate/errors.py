"""Errors of this package: each is one sentence that says what, where and how to mend it.

DictateError               exit code 1
├── InputError             a file or text that cannot be used
├── EngineError            a recogniser or its model is missing or broken
├── DeviceError            no microphone, no PortAudio, device lost
├── SettingsError          a setting or option that makes no sense
├── DeskError              something the review desk cannot accept
│   ├── SignInError        wrong name or password, or too many attempts
│   └── ForbiddenError     this role, or this person, may not do that
├── StoreError             drafts, database, keys, disk
│   ├── StaleDraftError    somebody saved first; nothing was overwritten
│   ├── ClosedDraftError   the version is signed and cannot change
│   └── NoDraftError       no such draft, revision or sound
└── ClusterError           a worker, its scheduler or the way to them
"""

from __future__ import annotations


class DictateError(Exception):
    """A fault with a sentence for the user; the command line prints it and exits non-zero."""

    exit_code = 1


class InputError(DictateError):
    """A file or text that cannot be used."""


class EngineError(DictateError):
    """A recogniser or its model is missing or broken."""


class DeviceError(DictateError):
    """The microphone or its driver is missing or was lost."""


class SettingsError(DictateError):
    """A setting or option that makes no sense."""


class StoreError(DictateError):
    """Drafts, database, keys or disk."""


class StaleDraftError(StoreError):
    """Somebody saved the draft after it was opened; this save was refused."""


class NoDraftError(StoreError):
    """There is no such draft, revision or sound."""


class ClusterError(DictateError):
    """A worker of an archive run, its scheduler or the way to them."""


class ClosedDraftError(StoreError):
    """The present version is signed; only an amendment can follow."""


class DeskError(DictateError):
    """Something the review desk cannot accept: the sentence goes onto the page."""


class SignInError(DeskError):
    """Signing in was refused; `wait_s` is how long to wait before the next attempt counts."""

    def __init__(self, sentence: str, wait_s: int = 0) -> None:
        super().__init__(sentence)
        self.wait_s = wait_s


class ForbiddenError(DeskError):
    """This role, or this person, may not do that."""
