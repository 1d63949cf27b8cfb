// Keeps the page up to date: parts that changed come as server-sent events. Without it the page
// still shows all there is, as of its loading.
const root = document.documentElement;
const SILENT_MS = 25000; // a sign of life comes every 10 s
let mark = root.dataset.mark;
let heardAt = new Date();
let source = null;

function start() {
  source?.close();
  source = new EventSource(root.dataset.live + "?after=" + encodeURIComponent(mark));
  source.addEventListener("parts", (event) => {
    hear(event);
    for (const [name, html] of Object.entries(JSON.parse(event.data))) show(name, html);
  });
  source.addEventListener("beat", (event) => {
    hear(event);
    // The agent was replaced by another release: its page has other scripts and styles.
    if (event.data !== root.dataset.release) location.reload();
  });
}

function hear(event) {
  mark = event.lastEventId || mark;
  heardAt = new Date();
  tell("");
}

function look() {
  const silentMs = new Date() - heardAt;
  if (silentMs > SILENT_MS) {
    tell("Not heard from the agent since " + heardAt.toLocaleTimeString("en-GB") +
      ". What stands below may be old.");
  }
  if (source === null || source.readyState === EventSource.CLOSED || silentMs > 2 * SILENT_MS) {
    start();
  }
}

function tell(text) {
  const stale = document.getElementById("stale");
  if (stale.textContent !== text) stale.textContent = text;
  stale.hidden = text === "";
}

function show(name, html) {
  const part = document.getElementById("part-" + name);
  if (part === null) return;
  const fresh = document.createElement("div");
  fresh.innerHTML = html;
  alike(part, fresh);
}

// Makes the children of one element like those of another, and leaves alone what is alike already:
// focus, selection, and what somebody has opened stay where they are.
function alike(old, fresh) {
  const wanted = [...fresh.childNodes];
  wanted.forEach((node, i) => {
    const have = old.childNodes[i];
    if (have === undefined) {
      old.append(node);
    } else if (have.nodeType !== node.nodeType || have.nodeName !== node.nodeName) {
      have.replaceWith(node);
    } else if (node.nodeType !== Node.ELEMENT_NODE) {
      if (have.data !== node.data) have.data = node.data;
    } else {
      for (const { name, value } of node.attributes) {
        if (have.getAttribute(name) !== value) have.setAttribute(name, value);
      }
      for (const { name } of [...have.attributes]) {
        if (!node.hasAttribute(name) && name !== "open") have.removeAttribute(name);
      }
      alike(have, node);
    }
  });
  while (old.childNodes.length > wanted.length) old.lastChild.remove();
}

start();
setInterval(look, 5000);
document.addEventListener("visibilitychange", () => document.hidden || look());
addEventListener("pageshow", look);
addEventListener("online", start);
