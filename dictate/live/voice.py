"""Says answers aloud with espeak-ng (the `speak` extra), while the microphone is muted.

`espeakng-loader` carries the espeak-ng library and its data inside its wheel; its C interface
(speak_lib.h) is called through ctypes in retrieval mode, so the sound comes back as samples and is played
by sounddevice.
"""

from __future__ import annotations

import ctypes
import threading
import time
from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from dictate.errors import SettingsError

TAIL_S = 0.3  # echo of the room after the last word
_RETRIEVAL_SYNCHRONOUS = 2  # AUDIO_OUTPUT_SYNCHRONOUS of speak_lib.h: the callback gets the samples
_UTF8 = 1
_POS_CHARACTER = 1
_RATE = 1  # espeakRATE
_CALLBACK = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.POINTER(ctypes.c_short), ctypes.c_int, ctypes.c_void_p)


class Voice:
    """A loaded synthesiser. Raises SettingsError when the extra is missing."""

    def __init__(self, *, words_a_minute: int = 165) -> None:
        try:
            import espeakng_loader
        except ImportError as error:
            raise SettingsError(
                "Answering aloud needs the 'speak' extra. Run: pip install 'spoken-exam[speak]', or leave out --speak."
            ) from error
        self._library = ctypes.CDLL(espeakng_loader.get_library_path())
        self._library.espeak_Initialize.argtypes = [ctypes.c_int, ctypes.c_int, ctypes.c_char_p, ctypes.c_int]
        path = str(espeakng_loader.get_data_path()).encode()
        self.rate_hz = int(self._library.espeak_Initialize(_RETRIEVAL_SYNCHRONOUS, 0, path, 0))
        if self.rate_hz <= 0:
            raise SettingsError(
                "espeak-ng found no voice data. Reinstall it: pip install --force-reinstall espeakng-loader"
            )
        self._library.espeak_SetVoiceByName(b"en-gb")
        self._library.espeak_SetParameter(_RATE, words_a_minute, 0)
        self._pieces: list[npt.NDArray[np.int16]] = []
        self._callback = _CALLBACK(self._take)  # kept, or the library would call into freed memory
        self._library.espeak_SetSynthCallback(self._callback)

    def _take(self, samples: ctypes._Pointer[ctypes.c_short], count: int, _events: int | None) -> int:
        if samples and count > 0:
            self._pieces.append(np.ctypeslib.as_array(samples, shape=(count,)).copy())
        return 0

    def samples(self, text: str) -> npt.NDArray[np.int16]:
        """The text as mono int16 sound at `rate_hz`."""
        self._pieces = []
        data = text.encode()
        self._library.espeak_Synth(
            ctypes.c_char_p(data), ctypes.c_size_t(len(data) + 1), 0, _POS_CHARACTER, 0, _UTF8, None, None
        )
        return np.concatenate(self._pieces) if self._pieces else np.zeros(0, np.int16)


class Speaker:
    """Speaks in a thread; calls `mute(True)` before the first sound and `mute(False)` after the last echo."""

    def __init__(self, voice: Voice, mute: Callable[[bool], None], *, device: int | str | None = None) -> None:
        self._voice, self._mute, self._device = voice, mute, device
        self._lock = threading.Lock()
        self.problem: str | None = None

    def say(self, text: str) -> threading.Thread:
        """Begin to speak; a text that comes while another is spoken waits its turn."""
        thread = threading.Thread(target=self._speak, args=(text,), name="voice", daemon=True)
        thread.start()
        return thread

    def _speak(self, text: str) -> None:
        with self._lock:
            self._mute(True)
            try:
                import sounddevice

                sounddevice.play(self._voice.samples(text), self._voice.rate_hz, device=self._device, blocking=True)
                time.sleep(TAIL_S)
                self.problem = None
            except Exception as error:  # no loudspeaker must never stop an examination; it is shown instead
                self.problem = f"The answer could not be spoken ({error}); read it on the board."
            finally:
                self._mute(False)
