// Keeps the page up to date when somebody else saves: parts marked data-live are fetched anew and replaced,
// except where this person is in the middle of something.

export function startFeed(desk, replaced) {
  const news = document.getElementById("news");
  const source = new EventSource(`/drafts/${desk.dataset.number}/feed`);
  let busy = false;
  let newest = 0;
  let others = "";
  let changed = ""; // stays until the next change: who looks away for a moment must still find it
  const show = () => { news.textContent = others + changed; };

  source.addEventListener("message", async (event) => {
    const facts = JSON.parse(event.data);
    others = facts.others.length ? `Also open at: ${facts.others.join(", ")}. ` : "";
    if (facts.revision <= +desk.dataset.revision && facts.state === (desk.dataset.state ?? facts.state)) {
      desk.dataset.state = facts.state;
      show();
      return;
    }
    newest = Math.max(newest, facts.revision);
    if (busy) return;
    busy = true;
    try {
      do await refresh(desk, replaced); while (+desk.dataset.revision < newest);
      desk.dataset.state = facts.state;
      const last = document.querySelector("#more tbody tr");
      const [, , who, what] = last ? [...last.cells].map((cell) => cell.textContent) : ["", "", "Somebody", "changed it"];
      changed = `${who} changed this draft: ${what.toLowerCase()}. The page shows it.`;
      show();
    } finally {
      busy = false;
    }
  });
  addEventListener("pagehide", () => source.close());
}

// A part is being worked on when one of its fields holds something that was typed or its focus is in a field.
function workedOn(part) {
  if (part.contains(document.activeElement) && document.activeElement.matches("input, select, textarea")) return true;
  return [...part.querySelectorAll("form[data-guard] input:not([type=hidden])")].some(
    (field) => (field.type === "checkbox" ? field.checked !== field.defaultChecked : field.value !== field.defaultValue));
}

async function refresh(desk, replaced) {
  const answer = await fetch(location.pathname, { headers: { accept: "text/html", "x-automatic": "1" } });
  if (!answer.ok || answer.redirected) { location.reload(); return; }
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  const opened = new Set([...desk.querySelectorAll("details[open]")].map(nameOf));
  for (const fresh of page.querySelectorAll("[data-live]")) {
    const old = document.getElementById(fresh.id);
    if (!old || workedOn(old) || old.closest("form")?.querySelector("input[type=hidden][name=dictation]")?.value) continue;
    const inForm = old.closest("form[data-guard]");
    if (inForm && workedOn(inForm)) continue; // what was typed belongs to the revision that was seen then
    const focused = old.contains(document.activeElement) ? document.activeElement : null;
    const [id, href] = [focused?.id, focused?.getAttribute("href")];
    old.replaceWith(document.importNode(fresh, true));
    if (id) document.getElementById(id)?.focus();
    else if (href) document.querySelector(`#${CSS.escape(fresh.id)} a[href="${CSS.escape(href)}"]`)?.focus();
  }
  for (const part of desk.querySelectorAll("details")) if (opened.has(nameOf(part))) part.open = true;
  desk.dataset.revision = page.getElementById("desk").dataset.revision;
  replaced();
}

function nameOf(part) {
  const owner = part.closest("li, section");
  return `${owner?.id ?? ""}|${owner?.firstChild?.textContent?.trim() ?? ""}|${part.querySelector("summary").textContent.replace(/\d+/g, "")}`;
}
