// Plays the sound from a word, marks the word that sounds, loops a phrase.

const BEFORE_S = 0.15; // a little before the word, so that its first sound is not cut

export function startPlayer(desk) {
  const sounds = new Map([...desk.querySelectorAll("audio")].map((a) => [a.dataset.recording, a]));
  const play = document.getElementById("play");
  const loop = document.getElementById("loop");
  const speed = document.getElementById("speed");
  const clock = document.getElementById("clock");
  let current = sounds.values().next().value ?? null;
  let span = null; // the looped stretch {from, to}
  let marked = null;

  const words = () => [...desk.querySelectorAll(".w[data-s]")];

  function unmark() {
    marked?.classList.remove("now");
    marked = null;
  }

  function show() {
    if (!current) return;
    const now = current.currentTime;
    const minutes = Math.floor(now / 60);
    clock.textContent = `${minutes}:${String(Math.floor(now % 60)).padStart(2, "0")}`;
    if (span && now >= span.to) {
      current.currentTime = span.from;
      return;
    }
    const word = words().find(
      (w) => w.dataset.r === current.dataset.recording && now >= +w.dataset.s - 0.02 && now < +w.dataset.e + 0.05);
    if (word === marked) return;
    unmark();
    if (word && !current.paused) {
      word.classList.add("now");
      marked = word;
      word.scrollIntoView({ block: "nearest" });
    }
  }

  function tick() {
    show();
    if (current && !current.paused) requestAnimationFrame(tick);
  }

  function setLoop(on) {
    loop?.setAttribute("aria-pressed", String(on));
    if (!on) span = null;
  }

  // The phrase around a word: the words of its finding, else its line of the transcript.
  function phraseOf(word) {
    const first = word.dataset.f?.split(" ")[0];
    const fellows = first
      ? words().filter((w) => w.dataset.f?.split(" ").includes(first))
      : [...word.closest("p").querySelectorAll(".w[data-s]")];
    const same = fellows.filter((w) => w.dataset.r === word.dataset.r);
    return { from: Math.max(0, Math.min(...same.map((w) => +w.dataset.s)) - BEFORE_S),
             to: Math.max(...same.map((w) => +w.dataset.e)) + BEFORE_S };
  }

  // A pause before the sound has begun is what the reviewer asked for, no fault.
  function begin(sound) {
    sound.play().catch((error) => { if (error.name !== "AbortError") throw error; });
  }

  function playFrom(word) {
    const sound = sounds.get(word.dataset.r);
    if (!sound) return;
    if (current && current !== sound) current.pause();
    current = sound;
    current.playbackRate = +speed.value;
    if (loop.getAttribute("aria-pressed") === "true") span = phraseOf(word);
    const start = () => {
      current.currentTime = Math.max(0, +word.dataset.s - BEFORE_S);
      begin(current);
    };
    if (current.readyState > 0) start();
    else {
      current.addEventListener("loadedmetadata", start, { once: true });
      current.load();
    }
  }

  function toggle() {
    if (!current) return;
    if (current.paused) begin(current);
    else current.pause();
  }

  function toggleLoop() {
    if (!loop) return;
    const on = loop.getAttribute("aria-pressed") !== "true";
    setLoop(on);
    const now = current?.currentTime ?? 0;
    const word = marked ?? words().findLast((w) => w.dataset.r === current?.dataset.recording && +w.dataset.s <= now);
    if (on && word) span = phraseOf(word);
  }

  for (const sound of sounds.values()) {
    sound.addEventListener("play", () => { play.textContent = "Pause"; sound.playbackRate = +speed.value; tick(); });
    sound.addEventListener("pause", () => { play.textContent = "Play"; unmark(); });
    sound.addEventListener("ended", () => { play.textContent = "Play"; unmark(); });
    sound.addEventListener("seeked", show);
    sound.addEventListener("error", () => { document.getElementById("news").textContent = "The sound cannot be played."; });
  }
  play?.addEventListener("click", toggle);
  loop?.addEventListener("click", toggleLoop);
  speed?.addEventListener("change", () => { if (current) current.playbackRate = +speed.value; });

  return {
    playFrom,
    toggle,
    toggleLoop,
    skip(seconds) { if (current) current.currentTime = Math.max(0, current.currentTime + seconds); },
    faster(step) {
      if (!speed) return;
      speed.selectedIndex = Math.min(speed.options.length - 1, Math.max(0, speed.selectedIndex + step));
      speed.dispatchEvent(new Event("change"));
    },
  };
}
