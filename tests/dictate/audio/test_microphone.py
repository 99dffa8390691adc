"""The microphone without one: clear sentences, queueing, rate fall-back, lost blocks counted."""

import numpy as np
import pytest

from dictate.audio import microphone
from dictate.audio.microphone import Microphone, list_microphones
from dictate.errors import DeviceError

BLOCK = np.arange(4800, dtype=np.int16)


class Overflow:
    input_overflow = True


class Fine:
    input_overflow = False


class FakeStream:
    def __init__(self, rate: int, callback) -> None:
        self.rate, self.callback, self.running = rate, callback, False

    def start(self) -> None:
        self.running = True

    def stop(self) -> None:
        self.running = False

    def close(self) -> None: ...


class FakePort:
    """Stands for the sounddevice module; `rates` are those the device can do."""

    class PortAudioError(Exception): ...

    def __init__(self, devices, rates=(16_000,), default: int = 0) -> None:
        self.devices, self.plugged_in, self.rates = devices, devices, rates
        self.default = type("Default", (), {"device": (default, -1)})()

    def query_devices(self, device=None, kind=None):
        return self.devices if device is None else self.devices[device]

    def stop(self) -> None: ...

    def _terminate(self) -> None:
        self.devices = []

    def _initialize(self) -> None:
        self.devices = self.plugged_in

    def RawInputStream(self, *, samplerate, callback, **_):
        if samplerate not in self.rates:
            raise self.PortAudioError(f"invalid rate {samplerate}")
        self.stream = FakeStream(samplerate, callback)
        return self.stream


def device(name: str, inputs: int = 1, rate: float = 48_000.0):
    return {"name": name, "max_input_channels": inputs, "default_samplerate": rate}


@pytest.fixture
def port(monkeypatch):
    port = FakePort([device("Speakers", 0), device("Desk USB"), device("Webcam")], default=1)
    monkeypatch.setattr(microphone, "load_sounddevice", lambda: port)
    monkeypatch.setattr(microphone._Devices, "stale", False)
    return port


def test_list_marks_the_default(port) -> None:
    assert list_microphones() == ["1: Desk USB (default)", "2: Webcam"]


@pytest.mark.parametrize(("wish", "index"), [(None, 1), ("2", 2), ("webcam", 2), ("usb", 1)])
def test_device_by_number_or_part_of_its_name(port, wish, index) -> None:
    assert Microphone(wish).device == index


def test_unknown_device_names_the_known(port) -> None:
    with pytest.raises(DeviceError, match="known are 1: Desk USB; 2: Webcam"):
        Microphone("Throat")


def test_no_device(monkeypatch) -> None:
    monkeypatch.setattr(microphone, "load_sounddevice", lambda: FakePort([device("Speakers", 0)]))
    with pytest.raises(DeviceError, match="No microphone was found"):
        Microphone()


def test_no_portaudio(monkeypatch) -> None:
    import builtins

    real = builtins.__import__

    def without(name, *rest):
        if name == "sounddevice":
            raise OSError("PortAudio library not found")
        return real(name, *rest)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(DeviceError, match="libportaudio2"):
        list_microphones()


def test_blocks_arrive_in_order_with_times_until_closed(port) -> None:
    source = Microphone()
    for _ in range(3):
        port.stream.callback(BLOCK[:1600].tobytes(), 1600, None, Fine())
    source.close()
    chunks = list(source)
    assert [chunk.start_s for chunk in chunks] == [0.0, 0.1, 0.2]
    assert np.array_equal(chunks[1].samples, BLOCK[:1600])
    assert not port.stream.running
    source.close()


def test_another_rate_is_resampled(port) -> None:
    port.rates = (48_000,)
    source = Microphone()
    assert source.rate_hz == 48_000
    for _ in range(10):
        port.stream.callback(BLOCK.tobytes(), 4800, None, Fine())
    source.close()
    assert sum(len(chunk.samples) for chunk in source) == pytest.approx(16_000, abs=1_000)


def test_no_rate_works(port) -> None:
    port.rates = ()
    with pytest.raises(DeviceError, match="cannot be opened"):
        Microphone()


def test_lost_blocks_are_counted_and_closing_still_ends(port, monkeypatch) -> None:
    monkeypatch.setattr(microphone, "QUEUE_BLOCKS", 2)
    source = Microphone()
    port.stream.callback(BLOCK.tobytes(), 4800, None, Overflow())
    for _ in range(3):
        port.stream.callback(BLOCK.tobytes(), 4800, None, Fine())
    assert source.overflows == 3
    source.close()
    assert len(list(source)) == 1


def test_a_silent_driver_is_reported(port, monkeypatch) -> None:
    monkeypatch.setattr(microphone, "SILENT_S", 0.05)
    with pytest.raises(DeviceError, match="stopped giving sound"):
        list(Microphone())


def failing(port):
    def fail(*_args, **_more):
        raise port.PortAudioError("Unanticipated host error [PaErrorCode -9999]")

    return fail


@pytest.mark.parametrize("step", ["query_devices", "start"])
def test_what_the_driver_throws_while_opening_is_a_device_error(port, monkeypatch, step) -> None:
    monkeypatch.setattr(port if step == "query_devices" else FakeStream, step, failing(port))
    with pytest.raises(DeviceError, match=r"sound system gave a fault \(Unanticipated host error"):
        Microphone()


def test_a_lost_device_stays_the_reason_when_closing_it_fails_too(port, monkeypatch) -> None:
    monkeypatch.setattr(microphone, "SILENT_S", 0.05)
    monkeypatch.setattr(FakeStream, "stop", failing(port))
    monkeypatch.setattr(FakeStream, "close", failing(port))
    with pytest.raises(DeviceError, match="'Desk USB' stopped giving sound"), Microphone() as source:
        list(source)


def test_a_microphone_plugged_in_again_is_seen_after_a_loss(port, monkeypatch) -> None:
    monkeypatch.setattr(microphone, "SILENT_S", 0.05)
    port.plugged_in = [device("Speakers", 0)]
    with pytest.raises(DeviceError, match="stopped giving sound"):
        list(Microphone("usb"))
    with pytest.raises(DeviceError, match="No microphone was found"):
        Microphone("usb")
    port.plugged_in = [device("Desk USB"), device("Speakers", 0)]
    assert Microphone("usb").device == 0
