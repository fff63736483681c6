// Keeps a page live: takes over the parts that the server composed, and says at once when
// nothing comes any more.  Every part was escaped by the server; nothing else becomes markup.

const BEAT_WITHIN_MS = 5000;
const AGAIN_MS = 2000;
const root = document.documentElement;
const line = document.querySelector(".liveness");
const words = document.querySelector(".liveness-words");

/** @type {EventSource | null} */
let source = null;
let timer = 0;
let again = 0;
/** @type {Date | null} */
let lastBeat = null;

/** Say whether the page is live, in its root and in words. @param {"live" | "lost"} state */
function show(state) {
  if (root.dataset.live === state) return;
  root.dataset.live = state;
  line.classList.toggle("lost", state === "lost");
  const since = lastBeat ? ` since ${lastBeat.toLocaleTimeString()}` : "";
  words.textContent = state === "lost"
    ? `Not live${since}: what you see is old. It goes on as soon as the station answers.`
    : "Live";
  document.dispatchEvent(new CustomEvent("liveness", { detail: state }));
}

/** Note that something came. */
function beat() {
  lastBeat = new Date();
  show("live");
  clearTimeout(timer);
  timer = setTimeout(lose, BEAT_WITHIN_MS);
}

/** Say that nothing comes, and try again. */
function lose() {
  clearTimeout(timer);
  show("lost");
  if (source) source.close();
  source = null;
  clearTimeout(again);
  if (!document.hidden) again = setTimeout(follow, AGAIN_MS);
}

/** Whether somebody is about to send something in this part. @param {Element} part */
function inUse(part) {
  const active = document.activeElement;
  if (active && active !== part && part.contains(active) && active.matches("input, textarea, select")) {
    return true;
  }
  return [...part.querySelectorAll("input:not([type=hidden]), textarea")]
    .some((each) => each.value !== each.defaultValue || each.checked !== each.defaultChecked);
}

/** Put in what only this page knows: its right to send, and an id for each form. @param {Element} part */
function complete(part) {
  const token = document.querySelector("meta[name=act-token]");
  for (const form of part.querySelectorAll("form[method=post]")) {
    const own = form.elements.namedItem("token");
    const id = form.elements.namedItem("id");
    if (own && token) own.value = token.content;
    if (id && !id.value) {
      const random = crypto.getRandomValues(new Uint8Array(12));
      id.value = [...random].map((each) => each.toString(16).padStart(2, "0")).join("");
    }
  }
}

/** Take over parts that changed. @param {Record<string, string>} parts */
function take(parts) {
  for (const [name, html] of Object.entries(parts)) {
    for (const part of document.querySelectorAll(`[data-part="${CSS.escape(name)}"]`)) {
      if (part.dataset.markup === html || inUse(part)) continue;
      const open = [...part.querySelectorAll("details")].map((each) => each.open);
      const active = document.activeElement;
      const focused = active && part.contains(active) ? active.getAttribute("data-focus") : null;
      part.innerHTML = html;
      part.dataset.markup = html;
      part.querySelectorAll("details").forEach((each, place) => { each.open = open[place] ?? each.open; });
      complete(part);
      if (focused) part.querySelector(`[data-focus="${CSS.escape(focused)}"]`)?.focus();
    }
  }
}

/** Follow the stream of this page. */
function follow() {
  clearTimeout(again);
  if (source) source.close();
  source = new EventSource(`/live?page=${encodeURIComponent(root.dataset.stream)}`);
  source.addEventListener("parts", (event) => { take(JSON.parse(event.data)); beat(); });
  source.addEventListener("beat", (event) => {
    beat();
    document.dispatchEvent(new CustomEvent("beat", { detail: JSON.parse(event.data) }));
  });
  source.addEventListener("error", lose);
  clearTimeout(timer);
  timer = setTimeout(lose, BEAT_WITHIN_MS);
}

// A page that nobody looks at lets go of its connection: browsers have few for one station.
document.addEventListener("visibilitychange", () => {
  if (document.hidden) {
    clearTimeout(timer);
    clearTimeout(again);
    if (source) source.close();
    source = null;
  } else if (!source) {
    if (lastBeat && Date.now() - lastBeat.getTime() > BEAT_WITHIN_MS) show("lost");
    follow();
  }
});
// A phone that leaves the building learns of it before any beat is overdue.
window.addEventListener("offline", lose);
window.addEventListener("online", follow);
window.addEventListener("pagehide", () => source?.close());
if (!document.hidden) follow();
