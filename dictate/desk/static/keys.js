// Single keys, which can be switched off; never while a field has the focus.

export function startKeys(desk, player, marks) {
  const remembered = () => localStorage.getItem("single-keys") !== "off";
  const wire = () => {
    const box = document.getElementById("keys");
    if (box) box.checked = remembered();
  };
  wire();
  desk.addEventListener("change", (event) => {
    if (event.target.id === "keys") localStorage.setItem("single-keys", event.target.checked ? "on" : "off");
  });
  const actions = {
    " ": () => player.toggle(),
    ",": () => player.skip(-2),
    ".": () => player.skip(2),
    "[": () => player.faster(-1),
    "]": () => player.faster(1),
    l: () => player.toggleLoop(),
    n: () => marks.nextUnread(),
    a: () => document.getElementById("phrase")?.focus(),
    u: () => document.querySelector("#top [data-key=u]")?.focus(),
  };
  addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || !remembered() || document.querySelector("dialog[open]")) return;
    const field = event.target.closest?.("input, select, textarea");
    if (field) return;
    const pressed = event.target.closest?.("button, a, summary");
    if (event.key === " " && pressed) return;
    const action = actions[event.key];
    if (action) { event.preventDefault(); action(); }
  });
}
