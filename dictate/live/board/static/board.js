// Draws each picture that the examination sends. All text goes in as text, never as markup.
"use strict";

const SILENT_MS = 4000; // pictures or levels come at least once a second while the program lives
const ARMED_MS = 4000;
const $ = (id) => document.getElementById(id);
let phase = "waiting";
let lastSign = Date.now();
let armedUntil = 0;
let broken = false;
let lastView = null;
let sending = Promise.resolve();

function element(tag, text, className) {
  const made = document.createElement(tag);
  if (text) made.textContent = text;
  if (className) made.className = className;
  return made;
}

function setText(id, text) {
  if ($(id).textContent !== text) $(id).textContent = text;
}

/* Fill a list; when it is too long for its place, the last visible line says how many more there are. */
function fill(list, items) {
  list.replaceChildren(...items);
  const fits = () => list.scrollHeight <= list.clientHeight + 1 && list.scrollWidth <= list.clientWidth + 1;
  if (!list.clientHeight || fits()) return;
  const more = element("li", "", "remark");
  list.append(more);
  for (let shown = items.length - 1; shown >= 0 && !fits(); shown--) {
    items[shown].remove();
    more.textContent = `and ${items.length - shown} more`;
  }
}

function openLine(slot) {
  const line = element("li", slot.label, "open-line");
  if (slot.sides) line.append(" ", element("span", slot.sides, "sides"));
  if (slot.remark) line.append(" ", element("span", slot.remark, "remark"));
  return line;
}

function drawLatest(latest) {
  $("side").hidden = !latest || !latest.side_word;
  if (!latest) return;
  $("latest").dataset.status = latest.status;
  setText("item", latest.label);
  setText("side", latest.side_word);
  $("side").dataset.side = latest.side;
  setText("result", latest.result);
  $("weak").hidden = !latest.weak;
  setText("said", `“${latest.said}”`);
}

function drawEarlier(findings) {
  $("earlier").replaceChildren(...findings.map((one) =>
    element("li", [one.label, one.side_word, one.result].filter(Boolean).join(" · "))));
}

function drawOpen(view) {
  const here = view.stations.find((station) => station.here);
  const title = here
    ? `Still open in ${here.label}: ${here.open.length}`
    : "Still open: say or start a station";
  setText("here-title", title);
  const lines = here ? here.open.map(openLine) : [];
  if (here && !lines.length) lines.push(element("li", "Nothing is open here"));
  fill($("open"), lines);
}

function drawStations(view) {
  $("stations").replaceChildren(element("li", "Open:"), ...view.stations.map((station) => {
    const name = station.here ? "here" : "";
    const entry = element("li", "", `${name} ${station.open.length ? "some" : "none"}`.trim());
    entry.append(station.label, " ", element("b", station.open.length ? String(station.open.length) : "nothing"));
    if (station.here) entry.setAttribute("aria-current", "step");
    return entry;
  }));
}

function drawQuestions(view) {
  setText("ask-title", view.queries.length ? `Questions: ${view.queries.length}` : "Questions: none");
  const remarks = [
    ...view.hints,
    ...(view.under_way.length ? [`Under way: ${view.under_way.join(", ")}`] : []),
    ...(view.unread_count ? [`Not understood: “${view.unread[0]}”` + (view.unread_count > 1 ? ` and ${view.unread_count - 1} more` : "")] : []),
    ...(view.complaint ? [`Complaint: ${view.complaint}`] : []),
  ];
  fill($("asks"), [
    ...view.queries.slice(0, 2).map((words) => element("li", words, "query")),
    ...remarks.map((words) => element("li", words)),
  ]);
}

function column(title, lines, none) {
  const section = element("section");
  const list = element("ul");
  section.append(element("h3", title), list);
  return { section, list, lines: lines.length ? lines : [element("li", none)] };
}

function drawPanel(view) {
  let columns = [];
  if (view.summary) {
    setText("panel-title", view.summary.title);
    const said = (words) => words.map((text) => element("li", text));
    columns = [
      column(`Not done: ${view.summary.omissions.length}`, said(view.summary.omissions), "Every required slot is filled."),
      column(`Questions: ${view.summary.queries.length}`, said(view.summary.queries), "None."),
      column(`Not understood: ${view.summary.unread.length}`, said(view.summary.unread), "Every word was read."),
    ];
  } else if (view.missing_asked) {
    setText("panel-title", view.stations.some((station) => station.open_slots) ? "Still missing" : "Nothing is missing");
    columns = view.stations.map((station) => column(
      station.label + (station.here ? " (here)" : ""), station.open.map(openLine), "Complete."));
  }
  $("panel").hidden = !columns.length;
  document.body.dataset.panel = columns.length ? "open" : "closed";
  $("columns").replaceChildren(...columns.map((each) => each.section));
  for (const each of columns) fill(each.list, each.lines);
  setText("caution", columns.length ? view.caution : "");
}

function draw(view) {
  lastView = view;
  phase = view.phase;
  document.body.dataset.phase = phase;
  setText("recording-words", view.recording);
  setText("station", view.station || "Before the first station");
  setText("hearing", view.partial ? `… ${view.partial}` : "");
  setAlarm(view.notices.join(" "));
  drawLatest(view.latest);
  drawEarlier(view.earlier);
  drawStations(view);
  drawOpen(view);
  drawQuestions(view);
  drawPanel(view);
  const pause = $("key-pause");
  pause.dataset.do = phase === "paused" ? "resume" : "pause";
  pause.firstChild.textContent = phase === "paused" ? "Resume " : "Pause ";
  pause.lastElementChild.textContent = phase === "paused" ? "R" : "P";
  $("keys").hidden = phase === "ended";
}

function setAlarm(words) {
  if (broken) return;
  setText("alarm", words);
  $("alarm").hidden = !words;
}

function meter(data) {
  const level = $("level");
  level.setAttribute("aria-valuenow", String(Math.round(data.level * 100)));
  level.firstElementChild.style.transform = `scaleX(${data.level})`;
  const minutes = Math.floor(data.elapsed_s / 60);
  setText("clock", `${minutes}:${String(Math.floor(data.elapsed_s % 60)).padStart(2, "0")}`);
}

function press(kind) {
  if (phase === "ended") return;
  if (kind === "end" && Date.now() > armedUntil) {
    armedUntil = Date.now() + ARMED_MS;
    $("key-end").classList.add("armed");
    $("key-end").firstChild.textContent = "Press again to end ";
    setTimeout(disarm, ARMED_MS);
    return;
  }
  disarm();
  const body = JSON.stringify({ do: kind });
  const send = () => fetch("/do", { method: "POST", headers: { "Content-Type": "application/json" }, body });
  sending = sending.then(send).catch(() => {}); // one after the other: keys must arrive in the order of the presses
}

function disarm() {
  armedUntil = 0;
  $("key-end").classList.remove("armed");
  $("key-end").firstChild.textContent = "End ";
}

/* A board that shows an old picture as if it were live would be worse than none. */
function watch() {
  if (phase === "ended") return;
  const silent = Date.now() - lastSign > SILENT_MS;
  if (silent && !broken) {
    setAlarm("No word from the program: this picture may be old, and recording may have stopped.");
    document.body.dataset.phase = "lost";
    setText("recording-words", "Connection lost");
  }
  broken = silent;
}

function listen() {
  const events = new EventSource("/events");
  const alive = (draw) => (event) => {
    lastSign = Date.now();
    broken = false;
    draw(JSON.parse(event.data));
  };
  events.addEventListener("view", alive(draw));
  events.addEventListener("meter", alive(meter));
}

document.addEventListener("click", (event) => {
  const key = event.target.closest("button[data-do]");
  if (key) press(key.dataset.do);
});
document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey || event.repeat) return;
  const kind = { p: "pause", r: "resume", m: "missing", w: "withdraw", e: "end" }[event.key.toLowerCase()];
  if (kind) press(kind);
});
window.addEventListener("resize", () => lastView && draw(lastView));
setInterval(watch, 1000);
listen();
