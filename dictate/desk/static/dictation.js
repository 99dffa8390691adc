// Dictating a short addition: the microphone (or a file) goes to this desk's own server and comes back as words.
import { showReading } from "./forms.js";

const LONGEST_S = 120;

export function startDictation(desk) {
  let recording = null;

  desk.addEventListener("click", async (event) => {
    const button = event.target.closest?.("[data-record]");
    if (!button) return;
    if (recording) { recording.stop(); return; }
    const said = button.parentElement.querySelector("[data-said]");
    try {
      recording = await record(said);
    } catch (error) {
      said.textContent = `The microphone cannot be used (${error.name}).`;
      return;
    }
    button.textContent = "Stop";
    const sound = await recording.done;
    recording = null;
    button.textContent = "Dictate";
    await send(desk, button.closest("form"), sound, said);
  });

  desk.addEventListener("change", async (event) => {
    if (!event.target.matches("[data-file]") || !event.target.files.length) return;
    const said = event.target.closest("[data-dictation]").querySelector("[data-said]");
    await send(desk, event.target.closest("form"), event.target.files[0], said);
    event.target.value = "";
  });
}

async function record(said) {
  const stream = await navigator.mediaDevices.getUserMedia({
    audio: { channelCount: 1, echoCancellation: false, noiseSuppression: false, autoGainControl: false },
  });
  const context = new AudioContext({ sampleRate: 16000 });
  await context.audioWorklet.addModule("/static/tap.js");
  const tap = new AudioWorkletNode(context, "tap", { numberOfOutputs: 0 });
  const parts = [];
  let samples = 0;
  let finish;
  const done = new Promise((resolve) => { finish = resolve; });
  const stop = () => {
    stream.getTracks().forEach((track) => track.stop());
    context.close();
    finish(wave(parts, samples));
  };
  tap.port.onmessage = (message) => {
    parts.push(message.data);
    samples += message.data.length;
    said.textContent = `listening, ${Math.floor(samples / 16000)} s`;
    if (samples > LONGEST_S * 16000) stop();
  };
  context.createMediaStreamSource(stream).connect(tap);
  return { stop, done };
}

// A mono 16 kHz WAV file (RIFF/WAVE, PCM 16 bit).
function wave(parts, samples) {
  const view = new DataView(new ArrayBuffer(44 + samples * 2));
  const text = (at, word) => [...word].forEach((letter, i) => view.setUint8(at + i, letter.charCodeAt(0)));
  text(0, "RIFF"); view.setUint32(4, 36 + samples * 2, true); text(8, "WAVEfmt ");
  view.setUint32(16, 16, true); view.setUint16(20, 1, true); view.setUint16(22, 1, true);
  view.setUint32(24, 16000, true); view.setUint32(28, 32000, true); view.setUint16(32, 2, true);
  view.setUint16(34, 16, true); text(36, "data"); view.setUint32(40, samples * 2, true);
  let at = 44;
  for (const part of parts)
    for (const value of part) { view.setInt16(at, Math.max(-1, Math.min(1, value)) * 32767, true); at += 2; }
  return new Blob([view], { type: "audio/wav" });
}

async function send(desk, form, sound, said) {
  said.textContent = "recognising …";
  const answer = await fetch(`/drafts/${desk.dataset.number}/dictation`, {
    method: "POST",
    headers: { accept: "application/json", "x-csrf": desk.dataset.csrf, "content-type": sound.type || "audio/wav" },
    body: sound,
  });
  const kind = answer.headers.get("content-type") ?? "";
  const heard = kind.includes("json") ? await answer.json() : { said: await answer.text() };
  if (!answer.ok) { said.textContent = heard.said; return; }
  said.textContent = "heard; check it, then save";
  const field = form.elements.phrase ?? form.elements.answer;
  field.value = heard.text;
  form.elements.dictation.value = heard.dictation;
  showReading(form.querySelector(".preview"), heard);
  field.focus();
}
