// The list of drafts by keys: up and down move between drafts, Enter opens one (it is a link).

addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  if (event.target.closest?.("input, select, textarea")) return;
  const links = [...document.querySelectorAll("#drafts tbody th a")];
  const place = links.indexOf(document.activeElement);
  const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
  if (step && links.length && (place >= 0 || event.target === document.body)) {
    links[Math.min(links.length - 1, Math.max(0, place + step))].focus();
    event.preventDefault();
  }
});
