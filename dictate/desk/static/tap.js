// Hands every block of microphone samples to the page.
class Tap extends AudioWorkletProcessor {
  process([input]) {
    if (input.length) this.port.postMessage(input[0].slice());
    return true;
  }
}
registerProcessor("tap", Tap);
