// Finding forms in a dialog, previews of typed phrases, and care that a form is not lost.

export function startForms(desk) {
  const dialog = document.getElementById("dialog");

  desk.addEventListener("click", async (event) => {
    const link = event.target.closest?.("a[data-dialog]");
    if (!link || event.ctrlKey || event.metaKey || event.shiftKey) return;
    event.preventDefault();
    const answer = await fetch(link.href, { headers: { accept: "text/html" } });
    if (!answer.ok || answer.redirected) { location.assign(link.href); return; }
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    dialog.replaceChildren(document.importNode(page.getElementById("fragment"), true));
    dialog.returnTo = link;
    dialog.showModal();
    dialog.querySelector("input:checked, input, select")?.focus();
  });
  dialog.addEventListener("click", (event) => {
    if (event.target.closest("[data-close]")) { event.preventDefault(); dialog.close(); }
  });
  dialog.addEventListener("close", () => dialog.returnTo?.focus());

  // What the grammar reads in a phrase, a moment after typing stops.
  const waits = new WeakMap();
  desk.addEventListener("input", (event) => {
    const form = event.target.closest?.("form[data-preview]");
    if (form && ["phrase", "answer"].includes(event.target.name)) {
      clearTimeout(waits.get(form));
      waits.set(form, setTimeout(() => preview(desk, form), 180));
    }
  });
}

export async function preview(desk, form) {
  const field = form.elements.phrase ?? form.elements.answer;
  const place = form.querySelector(".preview");
  const text = field.value.trim();
  if (!text) { place.replaceChildren(); return; }
  const answer = await fetch(`/drafts/${desk.dataset.number}/preview`, {
    method: "POST",
    headers: { accept: "application/json", "content-type": "application/x-www-form-urlencoded" },
    body: new URLSearchParams({ csrf: desk.dataset.csrf, phrase: text }),
  });
  if (field.value.trim() !== text) return; // typed on meanwhile; the next answer counts
  if (!answer.ok) { place.textContent = "The preview is not to be had now."; return; }
  showReading(place, await answer.json());
}

export function showReading(place, read) {
  const list = document.createElement("ul");
  const add = (text, kind) => {
    const line = document.createElement("li");
    line.textContent = text;
    if (kind) line.className = kind;
    list.append(line);
  };
  for (const finding of read.findings) add(finding);
  for (const text of read.unread) add(`not read: ${text}`, "not");
  for (const query of read.queries) add(query, "not");
  if (!list.childElementCount) add("No finding is read in this.", "not");
  place.replaceChildren(list);
}
