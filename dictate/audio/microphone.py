"""The microphone as a Source: sounddevice (PortAudio) into 100 ms chunks of mono 16 kHz int16.

sounddevice is imported here only, so that files can be heard on a machine without PortAudio. The callback
does nothing but queue; reading, resampling and listening happen in the caller's thread.
"""

from __future__ import annotations

import contextlib
import queue
from collections.abc import Iterator
from typing import Any

import numpy as np

from dictate.errors import DeviceError
from dictate.events import SAMPLE_RATE_HZ, AudioChunk, Samples

BLOCK_S = 0.1
QUEUE_BLOCKS = 600
"""Blocks kept while the listener is busy (one minute); what does not fit is counted as lost."""
SILENT_S = 5.0
"""A microphone that gives no block for so long is reported as lost."""
FALLBACK_RATES_HZ = (48_000, 44_100, 32_000, 22_050, 8_000)

NO_PORTAUDIO = (
    "The PortAudio library is missing, so no microphone can be used; install it "
    "(Debian and Ubuntu: `apt-get install libportaudio2`). Sound files can be heard without it."
)
NO_DEVICE = (
    "No microphone was found; plug one in and check that the system lists it, then try `dictate doctor`. "
    "Sound files can be heard without it."
)
SOUND_FAULT = (
    "The sound system gave a fault ({error}); plug the microphone in again and see what `dictate doctor` says of it."
)


def load_sounddevice() -> Any:
    """The sounddevice module, or DeviceError saying how to get PortAudio."""
    try:
        import sounddevice
    except OSError as error:
        raise DeviceError(NO_PORTAUDIO) from error
    except ImportError as error:
        raise DeviceError("The sounddevice package is missing; run `pip install sounddevice`.") from error
    except Exception as error:  # PortAudio starts when the module is loaded; its own class cannot be named yet
        raise DeviceError(SOUND_FAULT.format(error=error)) from error
    return sounddevice


@contextlib.contextmanager
def _port_faults(sounddevice: Any) -> Iterator[None]:
    """Turns what PortAudio throws into DeviceError."""
    try:
        yield
    except sounddevice.PortAudioError as error:
        _Devices.stale = True
        raise DeviceError(SOUND_FAULT.format(error=error)) from error


class _Devices:
    """PortAudio lists the devices once, when it starts: after a loss the list no longer holds."""

    stale = False

    @classmethod
    def refresh(cls, sounddevice: Any) -> None:
        """Start PortAudio again after a loss, so that a microphone that was plugged in again is seen."""
        if cls.stale:
            cls.stale = False
            with contextlib.suppress(sounddevice.PortAudioError):
                sounddevice.stop()  # a sound that is being played must not outlive its driver
            with contextlib.suppress(sounddevice.PortAudioError):
                sounddevice._terminate()
            with _port_faults(sounddevice):
                sounddevice._initialize()


def list_microphones() -> list[str]:
    """One line a microphone: number, name, default marked. DeviceError when PortAudio is missing."""
    sounddevice = load_sounddevice()
    with _port_faults(sounddevice):
        default = sounddevice.default.device[0]
        return [
            f"{index}: {device['name']}" + (" (default)" if index == default else "")
            for index, device in enumerate(sounddevice.query_devices())
            if device["max_input_channels"] > 0
        ]


class Microphone:
    """Live sound; iterate to listen, `close` (from any thread) to stop.

    `overflows` counts blocks that were lost because the machine was too slow; `name` is the device's name as
    the system gives it.
    """

    def __init__(self, device: str | None = None) -> None:
        """Open and start the microphone `device` (name, part of a name, or number; None: the default).

        Raises DeviceError, also for whatever PortAudio throws.
        """
        self._sounddevice = load_sounddevice()
        self._queue: queue.Queue[bytes | None] = queue.Queue(maxsize=QUEUE_BLOCKS)
        self.overflows = 0
        self._closed = False
        _Devices.refresh(self._sounddevice)
        with _port_faults(self._sounddevice):
            self.device, self.name = self._find(device)
            self.rate_hz, self._stream = self._open()
            try:
                self._stream.start()
            except self._sounddevice.PortAudioError:
                with contextlib.suppress(self._sounddevice.PortAudioError):
                    self._stream.close()
                raise

    def __iter__(self) -> Iterator[AudioChunk]:
        import soxr

        resampler = None
        if self.rate_hz != SAMPLE_RATE_HZ:
            resampler = soxr.ResampleStream(self.rate_hz, SAMPLE_RATE_HZ, 1, dtype="int16", quality="HQ")
        done = 0
        while True:
            try:
                block = self._queue.get(timeout=SILENT_S)
            except queue.Empty as error:
                if self._closed:
                    return
                _Devices.stale = True
                raise DeviceError(
                    f"The microphone {self.name!r} stopped giving sound; plug it in again. "
                    "What was heard so far is kept."
                ) from error
            if block is None:
                return
            samples: Samples = np.frombuffer(block, dtype=np.int16)
            if resampler is not None:
                samples = resampler.resample_chunk(samples)
            if len(samples):
                yield AudioChunk(samples=samples, start_s=done / SAMPLE_RATE_HZ)
                done += len(samples)

    def close(self) -> None:
        """Stop listening; what is queued is still given to the iterator. A lost device is no fault here."""
        if self._closed:
            return
        self._closed = True
        try:
            for step in (self._stream.stop, self._stream.close):
                try:
                    step()
                except self._sounddevice.PortAudioError:
                    _Devices.stale = True
        finally:
            try:
                self._queue.put_nowait(None)
            except queue.Full:
                self._queue.get_nowait()
                self._queue.put_nowait(None)

    def __enter__(self) -> Microphone:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _find(self, device: str | None) -> tuple[int, str]:
        sounddevice = self._sounddevice
        inputs = [
            (index, str(entry["name"]))
            for index, entry in enumerate(sounddevice.query_devices())
            if entry["max_input_channels"] > 0
        ]
        if not inputs:
            _Devices.stale = True
            raise DeviceError(NO_DEVICE)
        if device is None:
            default = int(sounddevice.default.device[0])
            return next(((index, name) for index, name in inputs if index == default), inputs[0])
        for index, name in inputs:
            if device == str(index) or device.casefold() in name.casefold():
                return index, name
        _Devices.stale = True
        known = "; ".join(f"{index}: {name}" for index, name in inputs)
        raise DeviceError(f"There is no microphone {device!r}; known are {known}.")

    def _open(self) -> tuple[int, Any]:
        sounddevice = self._sounddevice
        usual = int(sounddevice.query_devices(self.device, "input")["default_samplerate"])
        fault: Exception | None = None
        for rate in dict.fromkeys((SAMPLE_RATE_HZ, usual, *FALLBACK_RATES_HZ)):
            try:
                stream = sounddevice.RawInputStream(
                    samplerate=rate,
                    channels=1,
                    dtype="int16",
                    device=self.device,
                    blocksize=int(rate * BLOCK_S),
                    callback=self._take,
                )
            except sounddevice.PortAudioError as error:
                fault = error
            else:
                return rate, stream
        _Devices.stale = True
        raise DeviceError(
            f"The microphone {self.name!r} cannot be opened ({fault}); close other programs that use it, "
            "or choose another with the setting [sound] device."
        )

    def _take(self, data: Any, _frames: int, _time: Any, status: Any) -> None:
        if status.input_overflow:
            self.overflows += 1
        try:
            self._queue.put_nowait(bytes(data))
        except queue.Full:
            self.overflows += 1
