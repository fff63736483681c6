// Follows the routine that runs: its settling curve with each beat, and the next step as soon as
// there is one. What a step looks like comes from the server; what is typed is never lost.

const K_ROWS = 20;
/** @type {any} */
const Graph = /** @type {any} */ (window).Dygraph;
// The legend of the library writes styles into markup, which the page's policy forbids.
Graph.PLUGINS = Graph.PLUGINS.filter((each) => each !== Graph.Plugins.Legend);
const main = document.querySelector("main");
const graphs = new Map();
let busy = false;

/** How much larger than usual text is here: charts measure in pixels. */
function scale() {
  return parseFloat(getComputedStyle(document.documentElement).fontSize) / 16;
}

/** A colour of the frame. @param {string} name */
function colour(name) {
  return getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();
}

/** Whether somebody is about to send something in a section. @param {Element} section */
function inUse(section) {
  const active = document.activeElement;
  if (active && section.contains(active) && active.matches("input, textarea, select")) return true;
  // The chart has a field of its own, in which nobody types.
  return [...section.querySelectorAll("form input:not([type=hidden]), form textarea")]
    .some((each) => each.value !== each.defaultValue || each.checked !== each.defaultChecked);
}

/** What changes whenever there is something else to do, as the page has it. @param {any} routine */
function turnOf(routine) {
  return `${routine.turn} ${routine.step} ${routine.outcome}`;
}

/** Say that a form is from before. @param {Element} section */
function warn(section) {
  if (section.querySelector(".gone-on")) return;
  const line = document.createElement("p");
  line.className = "gone-on";
  line.setAttribute("role", "status");
  line.textContent = "The routine has gone on. What you typed was not sent; ";
  const link = document.createElement("a");
  link.href = location.pathname;
  link.textContent = "show the present step";
  line.append(link, ".");
  section.prepend(line);
}

/** Take over the sections that changed. */
async function renew() {
  const reply = await fetch(location.pathname, { cache: "no-store" });
  if (!reply.ok) return;
  const next = new DOMParser().parseFromString(await reply.text(), "text/html");
  for (const section of main.querySelectorAll("section.routine")) {
    const other = next.getElementById(section.id);
    if (!other || other.dataset.turn === section.dataset.turn) continue;
    if (inUse(section)) {
      warn(section);
      continue;
    }
    const focused = section.contains(document.activeElement)
      || document.activeElement?.matches(".answer-done");
    drop(section.id);
    section.replaceWith(document.adoptNode(other));
    // What was answered to the last form is about a step that is over.
    for (const done of main.querySelectorAll(".answer-done")) done.remove();
    if (focused) other.querySelector("h2")?.focus();
    speak(other);
  }
  orderLike(next);
}

/** Have a screen reader say the present step. @param {Element} section */
function speak(section) {
  const parts = [".point", ".step-title", ".outcome", ".instruction", ".verdict-line"]
    .map((each) => section.querySelector(each)?.textContent.trim()).filter(Boolean);
  write(document.getElementById("routine-said"), parts.join(". "));
}

/** A probe whose routine runs stands first. @param {Document} next */
function orderLike(next) {
  const place = main.querySelector("section.needed");
  for (const other of next.querySelectorAll("section.routine")) {
    const own = document.getElementById(other.id);
    if (own && own.nextElementSibling !== place) place.before(own);
  }
}

/** Forget a chart. @param {string} key */
function drop(key) {
  graphs.get(key)?.destroy();
  graphs.delete(key);
}

/** Draw the curve of a point. @param {HTMLElement} section @param {any} settling */
function draw(section, settling) {
  const place = section.querySelector(".settling-chart");
  const rows = settling.rows.map(([t, value, low, high, warmth]) => {
    const band = value === null ? [null, null, null] : [low ?? value, value, high ?? value];
    return [t, band, [warmth, warmth, warmth]];
  });
  if (!place || !rows.some((row) => row[1][1] !== null)) return;
  const known = graphs.get(section.id);
  const range = rangeOf(settling);
  if (known) {
    known.updateOptions({ file: rows, valueRange: range, axes: { y2: { valueRange: warmthRange(settling) } } });
    return;
  }
  graphs.set(section.id, new Graph(place, rows, {
    labels: ["s", "mS/cm", "°C"],
    customBars: true,
    ylabel: "mS/cm, as indicated",
    y2label: "°C",
    xlabel: "seconds since the probe was left alone",
    valueRange: range,
    series: {
      "mS/cm": { color: colour("ink"), strokeWidth: 2 * scale(), fillAlpha: 0.25, axis: "y" },
      "°C": { color: colour("caution"), strokeWidth: 1.5 * scale(), strokePattern: [5, 4], fillAlpha: 0, axis: "y2" },
    },
    axes: {
      x: { axisLabelWidth: 60 * scale() },
      y: { axisLabelWidth: 56 * scale() },
      y2: { axisLabelWidth: 52 * scale(), axisLabelFormatter: (value) => value.toFixed(2), valueRange: warmthRange(settling) },
    },
    axisLabelFontSize: 13 * scale(),
    yLabelWidth: 18 * scale(),
    xLabelHeight: 18 * scale(),
    axisLineColor: colour("rule"),
    gridLineColor: colour("rule"),
    gridLineWidth: 0.4,
  }));
}

/** What the axis shows: the values, and of the interval no more than is telling. @param {any} settling */
function rangeOf(settling) {
  const values = settling.rows.map((row) => row[1]).filter((each) => each !== null);
  const last = settling.rows[settling.rows.length - 1];
  for (const each of [last?.[2], last?.[3]]) if (each !== null && each !== undefined) values.push(each);
  const low = Math.min(...values);
  const high = Math.max(...values);
  const room = Math.max((high - low) * 0.1, 0.005);
  return [low - room, high + room];
}

/** Likewise of the temperature: a few hundredths of a degree are noise. @param {any} settling */
function warmthRange(settling) {
  const values = settling.rows.map((row) => row[4]).filter((each) => each !== null);
  const low = Math.min(...values);
  const high = Math.max(...values);
  const room = Math.max((high - low) * 0.1, 0.25);
  return [low - room, high + room];
}

/** Write a text where it changed. @param {Element | null} place @param {string} text */
function write(place, text) {
  if (place && place.textContent !== text) place.textContent = text;
}

/** A figure, or a dash. @param {number | null} value @param {number} digits @param {string} before */
function figure(value, digits, before = "") {
  return value === null ? "–" : `${before}${value.toFixed(digits)}`;
}

/** One row of the table. @param {(number | null)[]} row */
function rowOf([t, value, low, high, warmth]) {
  const line = document.createElement("tr");
  const texts = [
    t.toFixed(0),
    value === null ? "no value" : value.toFixed(3),
    low === null ? "–" : `${low.toFixed(3)} to ${high.toFixed(3)}`,
    figure(warmth, 2),
  ];
  for (const text of texts) {
    const cell = document.createElement("td");
    cell.className = "number";
    cell.textContent = text;
    line.append(cell);
  }
  return line;
}

/** Show how a point settles now. @param {HTMLElement} section @param {any} settling */
function show(section, settling) {
  const block = section.querySelector(".settling");
  if (!block) return;
  const at = (name) => block.querySelector(`[data-figure="${name}"]`);
  write(at("conductivity_mS_cm"), figure(settling.conductivity_mS_cm, 3));
  write(at("temperature_C"), figure(settling.temperature_C, 2));
  write(at("waited_s"), settling.waited_s.toFixed(0));
  write(at("reach_mS_cm"), figure(settling.reach_mS_cm, 3, "± "));
  write(at("allowed_mS_cm"), figure(settling.allowed_mS_cm, 3));
  const words = block.querySelector(".settling-words");
  write(words, settling.words);
  block.querySelector(".settling-rows").replaceChildren(
    ...settling.rows.slice(-K_ROWS).reverse().map(rowOf),
  );
  draw(section, settling);
}

/** Look at the routines, and take over what is new. */
async function look() {
  if (busy) return;
  busy = true;
  try {
    const reply = await fetch("/api/routine", { cache: "no-store" });
    if (!reply.ok) return;
    const { routines } = await reply.json();
    const turns = new Map(routines.map((each) => [turnOf(each), each]));
    const sections = [...main.querySelectorAll("section.routine")];
    const own = sections.map((each) => each.dataset.turn).filter(Boolean);
    const states = sections.some((each) => {
      const routine = turns.get(each.dataset.turn);
      const block = each.querySelector(".settling");
      return routine?.settling && block && block.dataset.state !== routine.settling.state;
    });
    if (own.length !== routines.length || !own.every((each) => turns.has(each))) await renew();
    else if (states) await renewMarks();
    for (const section of main.querySelectorAll("section.routine")) {
      const routine = turns.get(section.dataset.turn);
      if (routine?.settling) show(section, routine.settling);
    }
  } catch {
    // The station does not answer just then; the frame says so.
  } finally {
    busy = false;
  }
}

/** Take over the words and shapes of settling, which the server has. */
async function renewMarks() {
  const reply = await fetch(location.pathname, { cache: "no-store" });
  if (!reply.ok) return;
  const next = new DOMParser().parseFromString(await reply.text(), "text/html");
  for (const block of main.querySelectorAll(".settling")) {
    const other = next.getElementById(block.closest("section").id)?.querySelector(".settling");
    if (!other) continue;
    block.dataset.state = other.dataset.state;
    const mark = other.querySelector(".settling-mark");
    block.querySelector(".settling-mark").replaceChildren(...document.adoptNode(mark).childNodes);
  }
}

document.addEventListener("beat", look);
window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
  for (const key of [...graphs.keys()]) drop(key);
  look();
});
look();

// References are written by a short rule; these fields write them. What is in the line is sent.

const OF_SOLUTION = [["lot", "Lot"], ["tolerance", "± on its label, %"], ["expiry", "Expiry"]];
const WITHOUT_LABEL = ["air", "ice", "purified-water"];

/** A value as it is written: in quotes where it has a blank. @param {string} text */
function quoted(text) {
  const plain = text.trim().replaceAll(";", ",").replaceAll("'", "’");
  return /^[^\s"]*$/.test(plain) ? plain : `'${plain}'`;
}

/** A labelled field. @param {string} text @param {HTMLElement} field */
function labelled(text, field) {
  const label = document.createElement("label");
  label.append(text, document.createElement("br"), field);
  return label;
}

/** Give a line of references the fields that write one. @param {HTMLInputElement} line */
function compose(line) {
  const kinds = [...document.querySelectorAll("#reference-kinds .kinds > div")];
  if (!kinds.length) return;
  const box = document.createElement("fieldset");
  box.className = "compose";
  const title = document.createElement("legend");
  title.textContent = "Write a reference";
  const choice = document.createElement("select");
  for (const each of kinds) {
    const option = document.createElement("option");
    option.value = each.querySelector("dt").textContent;
    option.textContent = `${option.value}: ${each.querySelector("dd").textContent}`;
    choice.append(option);
  }
  const fields = new Map();
  for (const [name, text] of [...OF_SOLUTION, ["salinity", "Salinity"], ["values", "Its table, °C:mS/cm"]]) {
    const field = document.createElement("input");
    if (name === "expiry") field.type = "date";
    if (["tolerance", "salinity"].includes(name)) field.inputMode = "decimal";
    fields.set(name, { field, label: labelled(text, field) });
  }
  const add = document.createElement("button");
  add.type = "button";
  add.textContent = "Add to the line";
  const fit = () => {
    const bare = WITHOUT_LABEL.includes(choice.value);
    for (const [name, { label }] of fields) {
      label.hidden = bare || (name === "salinity" && choice.value !== "seawater")
        || (name === "values" && choice.value !== "table");
    }
  };
  choice.addEventListener("change", fit);
  add.addEventListener("click", () => {
    const words = [choice.value];
    for (const [name, { field, label }] of fields) {
      const value = name === "tolerance" || name === "salinity" ? field.value.replace(",", ".") : field.value;
      if (!label.hidden && value.trim()) words.push(`${name}=${quoted(value)}`);
      field.value = "";
    }
    const before = line.value.trim().replace(/;$/, "");
    line.value = [before, words.join(" ")].filter(Boolean).join("; ");
    line.focus();
  });
  box.append(title, labelled("Kind", choice), ...[...fields.values()].map(({ label }) => label), add);
  fit();
  line.closest(".field").after(box);
}

for (const line of document.querySelectorAll("section.routine input[name=references]")) compose(line);
