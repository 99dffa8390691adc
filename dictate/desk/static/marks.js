// Ties words and findings together: pointing at or focusing one marks the other. Words can be walked by keys.

export function startMarks(desk, player) {
  function near(numbers, on) {
    const wanted = new Set(numbers);
    for (const word of desk.querySelectorAll(".w[data-f]"))
      if (word.dataset.f.split(" ").some((n) => wanted.has(n))) word.classList.toggle("near", on);
    for (const finding of desk.querySelectorAll(".finding[data-entry]"))
      if (wanted.has(finding.dataset.entry)) finding.classList.toggle("near", on);
  }

  function piece(number, on) {
    for (const part of desk.querySelectorAll(`.w[data-u="${number}"], li[data-unread="${number}"]`))
      part.classList.toggle("near", on);
  }

  function point(target, on) {
    const word = target.closest?.(".w");
    const finding = target.closest?.(".finding[data-entry]");
    const query = target.closest?.("li[data-entries]");
    const unread = target.closest?.("li[data-unread]");
    if (word?.dataset.f) near(word.dataset.f.split(" "), on);
    else if (finding) near([finding.dataset.entry], on);
    else if (query) near(query.dataset.entries.split(" "), on);
    if (word?.dataset.u) piece(word.dataset.u, on);
    else if (unread) piece(unread.dataset.unread, on);
  }

  desk.addEventListener("mouseover", (event) => point(event.target, true));
  desk.addEventListener("mouseout", (event) => point(event.target, false));
  desk.addEventListener("focusin", (event) => point(event.target, true));
  desk.addEventListener("focusout", (event) => point(event.target, false));

  const all = () => [...desk.querySelectorAll("#transcript .w")];

  // One word is in the tab order; arrows move it (a "roving" tab stop), so Tab does not walk hundreds of words.
  function refresh() {
    const words = all();
    for (const word of words) {
      word.tabIndex = -1;
      if (word.dataset.s) {
        word.setAttribute("role", "button");
        const mark = [word.classList.contains("unread") && "unread", word.title].filter(Boolean).join(", ");
        word.setAttribute("aria-label", mark ? `${word.textContent} (${mark})` : word.textContent);
      }
    }
    if (words.length) words[0].tabIndex = 0;
  }

  function moveTo(word) {
    for (const other of all()) other.tabIndex = -1;
    word.tabIndex = 0;
    word.focus();
  }

  desk.addEventListener("click", (event) => {
    const word = event.target.closest?.("#transcript .w");
    if (!word) return;
    moveTo(word);
    if (word.dataset.s) player.playFrom(word);
  });

  desk.addEventListener("keydown", (event) => {
    const word = event.target.closest?.("#transcript .w");
    if (!word) return;
    const words = all();
    const place = words.indexOf(word);
    const step = { ArrowRight: 1, ArrowLeft: -1, ArrowDown: 10, ArrowUp: -10 }[event.key];
    if (step) {
      moveTo(words[Math.min(words.length - 1, Math.max(0, place + step))]);
      event.preventDefault();
    } else if (event.key === "Enter") {
      if (word.dataset.s) player.playFrom(word);
      event.preventDefault();
    }
  });

  refresh();
  return {
    refresh,
    nextUnread() {
      const words = all().filter((w) => w.dataset.u);
      if (!words.length) return;
      const place = all().indexOf(document.activeElement);
      const here = document.activeElement.dataset?.u;
      moveTo(words.find((w) => all().indexOf(w) > place && w.dataset.u !== here) ?? words[0]);
    },
  };
}
