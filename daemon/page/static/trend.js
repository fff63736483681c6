// Draws the trend: salinity over temperature, of any stretch of time, from /api/readings.
// All that is written on the page comes from the server as text; here it is drawn and measured.

/** @typedef {{from: number, to: number, follows: boolean, length: string}} Look */
/** @typedef {{time_ms: number[], [name: string]: (number | null)[]}} Columns */

const place = document.querySelector(".trend");
const plots = { salinity: place.querySelector(".salinity"), temperature: place.querySelector(".temperature") };
const reading = place.querySelector(".reading");
const spoken = place.querySelector(".spoken");
const lost = place.querySelector(".lost-readings");
const LENGTHS = { "10min": 600e3, "1h": 36e5, "6h": 216e5, "1d": 864e5, "1w": 6048e5, "1m": 2592e6, "1y": 31536e6 };
const SHORTEST = 30e3;
const LONGEST = 20 * LENGTHS["1y"];
const AHEAD_UP_TO = 2 * LENGTHS["1d"];
const WORDS_EVERY_MS = 60e3;
const PHASES = {
  idle: "", blank: "purified water", dissolving: "mixing", verifying: "steady", ready: "released",
  off_target: "off target", stale: "expired",
};

/** @type {Look} */
let look = {
  from: Date.parse(place.dataset.from), to: Date.parse(place.dataset.to),
  follows: place.hasAttribute("data-follows"), length: place.dataset.span,
};
let answer = null;
let rows = null;
let charts = null;
let fit = false;
let asking = null;
let wordsAt = 0;
let nextAt = 0;
let serverLead = Date.parse(place.dataset.now) - Date.now();
let selected = -1;

const zone = (() => {
  try { new Intl.DateTimeFormat("en", { timeZone: place.dataset.zone }); return place.dataset.zone; } catch { return "UTC"; }
})();
const parts = new Intl.DateTimeFormat("en-GB", {
  timeZone: zone, hourCycle: "h23", year: "numeric", month: "numeric", day: "numeric",
  hour: "numeric", minute: "numeric", second: "numeric",
});
const dayWords = new Intl.DateTimeFormat("en-GB", { timeZone: zone, day: "numeric", month: "short" });
const wholeWords = new Intl.DateTimeFormat("en-GB", {
  timeZone: zone, hourCycle: "h23", weekday: "short", day: "numeric", month: "short", year: "numeric",
  hour: "2-digit", minute: "2-digit", second: "2-digit",
});

/** What the station's clock shows, as if it were UTC. @param {number} ms */
function shown(ms) {
  const found = Object.fromEntries(parts.formatToParts(ms).map((each) => [each.type, Number(each.value)]));
  return Date.UTC(found.year, found.month - 1, found.day, found.hour, found.minute, found.second);
}

/** Size of the page's letters, px; what is drawn grows with them. */
const em = () => parseFloat(getComputedStyle(document.documentElement).fontSize) || 16;
const letters = (weight = "") => `${weight} ${Math.round(0.8 * em())}px system-ui, sans-serif`.trim();

/** The present moment of the station. */
const now = () => Date.now() + serverLead;

// ---- Round times below the charts ----

const STEPS = [1, 5, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400, 172800, 604800]
  .map((each) => 1000 * each);
const MONTHS = [1, 2, 3, 6, 12, 24, 60];
const two = (number) => String(number).padStart(2, "0");

/** Ticks of the local clock between two moments; no more than there is room for. */
function ticks(from, to, pixels) {
  const most = Math.max(2, Math.floor(pixels / (5.6 * em())));
  const step = STEPS.find((each) => (to - from) / each <= most);
  if (!step) return monthTicks(from, to, most);
  const offset = shown(from) - Math.floor(from / 1000) * 1000;
  const found = [];
  let day = "";
  for (let local = Math.ceil((from + offset) / step) * step; local - offset <= to; local += step) {
    // What an hour of summer time moved is put right by a second look at the clock.
    const v = local - (shown(local - offset) - (local - offset)) ;
    const wall = new Date(local);
    const date = dayWords.format(v);
    const clock = `${two(wall.getUTCHours())}:${two(wall.getUTCMinutes())}`;
    const time = step < 60e3 ? `${clock}:${two(wall.getUTCSeconds())}` : clock;
    found.push({ v, label: step >= 864e5 || time === "00:00" ? date : day && day !== date ? `${date} ${time}` : time });
    day = date;
  }
  return found;
}

/** Ticks at the first of months. */
function monthTicks(from, to, most) {
  const months = (to - from) / (30.4 * 864e5);
  const step = MONTHS.find((each) => months / each <= most) ?? 120;
  const first = new Date(shown(from));
  const found = [];
  for (let month = Math.ceil((first.getUTCFullYear() * 12 + first.getUTCMonth()) / step) * step; ; month += step) {
    const local = Date.UTC(Math.floor(month / 12), month % 12, 1);
    const v = local - (shown(local) - local);
    if (v > to) return found;
    const name = new Date(local).toLocaleString("en-GB", { month: "short", timeZone: "UTC" });
    if (v >= from) found.push({ v, label: month % 12 ? name : String(Math.floor(month / 12)) });
  }
}

// ---- What is drawn ----

/** Colours of the page as they are now. */
function colours() {
  const style = getComputedStyle(document.documentElement);
  return Object.fromEntries(["paper", "ink", "quiet", "rule", "wash", "band", "inside", "outside", "caution", "focus"]
    .map((each) => [each, style.getPropertyValue(`--${each}`).trim()]));
}

/** Rows for both charts, with an empty one in each gap so that nothing crosses it. */
function rowsOf(found) {
  const c = found.columns;
  const salinity = [];
  const warmth = [];
  c.time_ms.forEach((t, i) => {
    const mean = c.salinity_mean[i];
    const spread = 2 * (c.salinity_u[i] ?? 0);
    const warm = c.temperature_mean_C[i];
    salinity.push([t, mean === null ? null : [c.salinity_low[i], mean, c.salinity_high[i]],
      mean === null ? null : [mean - spread, mean, mean + spread], null]);
    warmth.push([t, warm === null ? null : [c.temperature_low_C[i], warm, c.temperature_high_C[i]]]);
  });
  for (const gap of [...found.gaps, ...(found.missing ? [found.missing] : [])]) {
    const t = (Date.parse(gap.from) + Date.parse(gap.to)) / 2;
    salinity.push([t, null, null, null]);
    warmth.push([t, null]);
  }
  expect(found, salinity, warmth);
  const byTime = (one, other) => one[0] - other[0];
  if (!salinity.length) { salinity.push([look.from, null, null, null]); warmth.push([look.from, null]); }
  return { salinity: salinity.sort(byTime), temperature: warmth.sort(byTime) };
}

/** Add the forecast: from the last reading to what is expected. */
function expect(found, salinity, warmth) {
  const f = found.forecast;
  const last = salinity.findLast((each) => each[2]);
  if (!f || !last || !ahead(found) || f.salinity === null) return;
  last[3] = [last[2][1], last[2][1], last[2][1]];
  const t = Date.parse(f.ready_at);
  if (t <= last[0]) return;
  salinity.push([t, null, null, [f.salinity_low ?? f.salinity, f.salinity, f.salinity_high ?? f.salinity]]);
  warmth.push([t, null]);
}

/** Until when a forecast reaches that is to be seen; 0 for none. */
function ahead(found) {
  if (!look.follows || !found.forecast || look.to - look.from > AHEAD_UP_TO) return 0;
  return Date.parse(found.forecast.ready_high ?? found.forecast.ready_at);
}

/** The range of the upright axis. */
function range(which) {
  const values = rows[which].flatMap((each) => each.slice(1).filter(Boolean).flatMap((one) => [one[0], one[2]]));
  let low = Math.min(...values);
  let high = Math.max(...values);
  if (which === "salinity" && (!fit || !values.length)) {
    low = Math.min(low, answer.tolerance.low_ppt);
    high = Math.max(high, answer.tolerance.high_ppt);
  }
  if (!Number.isFinite(low)) return [0, 1];
  const least = which === "salinity" ? 0.04 : 0.4;
  const room = Math.max(0.06 * (high - low), (least - (high - low)) / 2);
  return [low - room, high + (which === "salinity" ? 2.2 : 1) * room];
}

/** Draw what lies under the curve of salinity. */
function underSalinity(context, area, chart) {
  const c = colours();
  const y = (value) => chart.toDomYCoord(value);
  const x = (value) => Math.min(area.x + area.w, Math.max(area.x, chart.toDomXCoord(value)));
  const top = Math.max(area.y, y(answer.tolerance.high_ppt));
  const bottom = Math.min(area.y + area.h, y(answer.tolerance.low_ppt));
  context.save();
  context.beginPath();
  context.rect(area.x, area.y, area.w, area.h);
  context.clip();
  if (bottom > top) {
    context.fillStyle = c.band;
    context.globalAlpha = 0.55;
    context.fillRect(area.x, top, area.w, bottom - top);
    context.globalAlpha = 1;
  }
  line(context, c.rule, area.x, y(answer.tolerance.low_ppt), area.x + area.w, y(answer.tolerance.low_ppt));
  line(context, c.rule, area.x, y(answer.tolerance.high_ppt), area.x + area.w, y(answer.tolerance.high_ppt));
  gaps(context, area, x, c);
  phases(context, area, x, c);
  expected(context, area, chart, c);
  marks(context, area, chart, c);
  context.restore();
}

/** Draw what lies under the curve of temperature. */
function underTemperature(context, area, chart) {
  const x = (value) => Math.min(area.x + area.w, Math.max(area.x, chart.toDomXCoord(value)));
  context.save();
  context.beginPath();
  context.rect(area.x, area.y, area.w, area.h);
  context.clip();
  gaps(context, area, x, colours());
  context.restore();
}

function line(context, colour, x1, y1, x2, y2, dash = []) {
  context.strokeStyle = colour;
  context.lineWidth = 1;
  context.setLineDash(dash);
  context.beginPath();
  context.moveTo(Math.round(x1) + 0.5, Math.round(y1) + 0.5);
  context.lineTo(Math.round(x2) + 0.5, Math.round(y2) + 0.5);
  context.stroke();
  context.setLineDash([]);
}

/** Hatch the times without a usable reading. */
function gaps(context, area, x, c) {
  for (const gap of [...answer.gaps, ...ends()]) {
    const left = x(Date.parse(gap.from));
    const right = Math.max(x(Date.parse(gap.to)), left + 1);
    if (right <= area.x || left >= area.x + area.w) continue;
    context.save();
    context.beginPath();
    context.rect(left, area.y, right - left, area.h);
    context.clip();
    for (let at = left - area.h; at < right; at += 8) line(context, c.rule, at, area.y + area.h, at + area.h, area.y);
    context.restore();
  }
}

/** The times at both ends in which nothing was read, as far as the past is prepared. */
function ends() {
  const known = rows.salinity.filter((each) => each[2]).map((each) => each[0]);
  const since = Math.max(look.from, answer.complete_from ? Date.parse(answer.complete_from) : 0);
  const until = Math.min(look.to, now());
  const least = Math.max(60e3, 3000 * answer.step_s);
  const found = known.length ? [[since, known[0]], [known.at(-1), until]] : [[since, until]];
  return found.filter(([from, to]) => to - from > least).map(([from, to]) => ({ from: iso(from), to: iso(to) }));
}

/** Write the phases along the foot of the chart. */
function phases(context, area, x, c) {
  const height = 1.3 * em();
  const end = Math.min(look.follows ? now() : look.to, look.to);
  context.font = letters();
  context.textBaseline = "bottom";
  context.textAlign = "left";
  answer.phases.forEach((each, i) => {
    const left = x(Date.parse(each.time));
    const right = x(i + 1 < answer.phases.length ? Date.parse(answer.phases[i + 1].time) : end);
    const word = PHASES[each.phase] ?? each.phase;
    if (right - left < 3 || !word) return;
    line(context, c.quiet, left, area.y + area.h - height, left, area.y + area.h);
    line(context, c.quiet, left, area.y + area.h - height, right - 2, area.y + area.h - height);
    if (context.measureText(word).width > right - left - 8) return;
    context.fillStyle = c.ink;
    context.fillText(word, left + 5, area.y + area.h - 3);
  });
}

/** Draw when the water is expected to be ready, as an interval. */
function expected(context, area, chart, c) {
  const f = answer.forecast;
  if (!f || !ahead(answer) || f.salinity === null) return;
  const y = chart.toDomYCoord(f.salinity);
  const left = chart.toDomXCoord(Date.parse(f.ready_low ?? f.ready_at));
  const right = chart.toDomXCoord(Date.parse(f.ready_high ?? f.ready_at));
  line(context, c.focus, left, y, right, y, [3, 3]);
  for (const at of [left, right]) line(context, c.focus, at, y - 6, at, y + 6);
  const at = chart.toDomXCoord(now());
  line(context, c.quiet, at, area.y, at, area.y + area.h, [1, 4]);
}

/** Draw a line with its number for each event; those that would touch have the line alone. */
function marks(context, area, chart, c) {
  const found = answer.marks.map((each, i) => ({ x: chart.toDomXCoord(Date.parse(each.time)), number: String(i + 1), alarm: each.kind === "alarm" }))
    .filter((each) => each.x >= area.x && each.x <= area.x + area.w);
  for (const each of found) line(context, c.quiet, each.x, area.y, each.x, area.y + area.h, [4, 3]);
  let free = -Infinity;
  const badge = 1.2 * em();
  context.font = letters("600");
  context.textBaseline = "middle";
  context.textAlign = "center";
  for (const { x, number, alarm } of found) {
    const half = Math.max(badge, context.measureText(number).width + 8) / 2 + (alarm ? 3 : 0);
    if (x - half < free) continue;
    free = x + half + 2;
    const at = Math.min(area.x + area.w - half, Math.max(area.x + half, x));
    context.fillStyle = alarm ? c.outside : c.ink;
    context.beginPath();
    if (alarm) {
      context.moveTo(at - half, area.y); context.lineTo(at + half, area.y); context.lineTo(x, area.y + 2 * badge);
    } else context.rect(at - half, area.y, 2 * half, badge);
    context.fill();
    context.fillStyle = c.paper;
    context.fillText(number, at, area.y + badge / 2 + 1);
  }
}

/** Make or renew both charts. */
function draw() {
  const c = colours();
  // What is ahead takes a third of the chart at most: what is measured matters more.
  const span = look.to - look.from;
  const end = Math.max(look.to, Math.min(ahead(answer) + 0.03 * span, look.to + span / 2));
  const dateWindow = [look.from, end];
  const common = {
    dateWindow, customBars: true, legend: "never", drawGapEdgePoints: true, pointSize: 1.5,
    axisLineColor: c.rule, gridLineColor: c.wash, axisLabelFontSize: Math.round(0.8 * em()), xRangePad: 0, highlightCircleSize: em() / 4,
    rightGap: 8, axisLabelColor: c.quiet,
    axes: { x: { ticker: (from, to, pixels) => ticks(from, to, pixels), drawGrid: true }, y: { axisLabelWidth: 2.9 * em() } },
  };
  const own = {
    salinity: {
      ...common, file: rows.salinity, valueRange: range("salinity"), labels: ["time", "extremes", "salinity", "expected"],
      underlayCallback: underSalinity,
      series: {
        extremes: { color: c.quiet, strokeWidth: 0, fillAlpha: 0.28, highlightCircleSize: 0, pointSize: 0, drawGapEdgePoints: false },
        salinity: { color: c.inside, strokeWidth: em() / 8, fillAlpha: 0.3 },
        expected: { color: c.focus, strokeWidth: em() / 8, strokePattern: [7, 5], fillAlpha: 0.18, drawGapEdgePoints: false },
      },
    },
    temperature: {
      ...common, file: rows.temperature, valueRange: range("temperature"), labels: ["time", "temperature"],
      underlayCallback: underTemperature,
      series: { temperature: { color: c.caution, strokeWidth: em() / 8, fillAlpha: 0.25 } },
    },
  };
  if (!charts) {
    // Its other plugins write styles into markup, which the page's policy does not let in.
    Dygraph.PLUGINS = [Dygraph.Plugins.Grid, Dygraph.Plugins.Axes];
    Dygraph.addedAnnotationCSS = true;
    charts = {};
    for (const which of ["salinity", "temperature"]) {
      charts[which] = new Dygraph(plots[which], rows[which], { ...own[which], ...actions(which) });
    }
    return;
  }
  for (const which of ["salinity", "temperature"]) charts[which].updateOptions(own[which]);
}

// ---- What is read off ----

const figure = (value, digits) => value === null ? "?" : value.toFixed(digits);

/** Write what lies at a row of the charts. */
function readOff(at, aloud) {
  const t = rows.salinity[at]?.[0];
  const i = answer.columns.time_ms.indexOf(t);
  const c = answer.columns;
  let text = "";
  if (i < 0) text = t > now() ? `expected about ${wholeWords.format(t)}, a forecast` : "";
  else {
    const spread = c.salinity_u[i] === null ? "± unknown" : `± ${figure(2 * c.salinity_u[i], 2)}`;
    const several = c.readings[i] > 1 ? ` (${figure(c.salinity_low[i], 2)} to ${figure(c.salinity_high[i], 2)} in ${c.readings[i].toLocaleString("en")} readings)` : "";
    text = c.salinity_mean[i] === null
      ? `${wholeWords.format(t)}: no usable reading`
      : `${wholeWords.format(t)}: ${figure(c.salinity_mean[i], 2)} ppt ${spread}${several}, water ${figure(c.temperature_mean_C[i], 1)} °C`;
    const phase = answer.phases.findLast((each) => Date.parse(each.time) <= t);
    const word = phase && (PHASES[phase.phase] ?? phase.phase);
    if (word) text += `, ${word}`;
  }
  reading.textContent = text || " ";
  if (aloud) spoken.textContent = text;
}

/** Show the newest point, where no point is pointed at. */
function readNewest() {
  const at = rows.salinity.findLastIndex((each) => each[2]);
  if (at >= 0) readOff(at, false); else reading.textContent = "No usable reading in this time.";
}

/** Go to the next point with a reading on the left or right. */
function step(by) {
  const known = rows.salinity.map((each, i) => (each[2] || each[3]) ? i : -1).filter((i) => i >= 0);
  if (!known.length) return;
  const at = known.indexOf(selected);
  selected = known[Math.min(known.length - 1, Math.max(0, at < 0 ? known.length - 1 : at + by))];
  for (const each of Object.values(charts)) each.setSelection(selected);
  readOff(selected, true);
}

/** What a pointer and the keys do on a chart. */
function actions(which) {
  const other = which === "salinity" ? "temperature" : "salinity";
  const model = { ...Dygraph.defaultInteractionModel, dblclick: () => back() };
  // A finger scrolls the page; buttons look closer.
  for (const each of ["touchstart", "touchmove", "touchend"]) delete model[each];
  return {
    interactionModel: model,
    highlightCallback: (event, x, points, row) => { selected = row; charts[other]?.setSelection(row); readOff(row, false); },
    unhighlightCallback: () => { selected = -1; charts[other]?.clearSelection(); readNewest(); },
    zoomCallback: (from, to) => go({ from, to, follows: false, length: "" }, true),
  };
}

// ---- Where one looks ----

const before = [];

/** Look elsewhere. @param {Look} there @param {boolean} remember */
function go(there, remember = false) {
  let { from, to } = there;
  const middle = (from + to) / 2;
  const length = Math.min(LONGEST, Math.max(SHORTEST, to - from));
  if (length !== to - from) [from, to] = [middle - length / 2, middle + length / 2];
  if (from < 0) [from, to] = [0, length];
  if (remember) before.push(look);
  selected = -1;
  look = { ...there, from: Math.round(from), to: Math.round(to) };
  address();
  ask(true);
}

const back = () => go(before.pop() ?? latest(look.length || "6h"));

/** The newest stretch of a length. */
function latest(length, span = LENGTHS[length]) {
  const to = now();
  return { from: to - span, to, follows: true, length };
}

/** Look closer or wider about the middle, or about a moment. */
function zoom(factor, at = (look.from + look.to) / 2) {
  if (look.follows && factor !== 1) {
    const span = factor * (look.to - look.from);
    go({ ...latest("", Math.min(LONGEST, Math.max(SHORTEST, span))) }, true);
    return;
  }
  go({ from: at - factor * (at - look.from), to: at + factor * (look.to - at), follows: false, length: "" }, true);
}

/** Move by a part of what is seen; up to now at most. */
function move(part) {
  const span = look.to - look.from;
  const to = look.to + part * span;
  if (to >= now()) go(latest(look.length, span));
  else go({ from: to - span, to, follows: false, length: look.length });
}

/** Keep the address such that it leads here again. */
function address() {
  const asked = new URLSearchParams({ reservoir: place.dataset.reservoir });
  if (look.follows) asked.set("span", look.length || `${Math.round((look.to - look.from) / 1000)}s`);
  else { asked.set("from", new Date(look.from).toISOString()); asked.set("to", new Date(look.to).toISOString()); }
  history.replaceState(null, "", `/trend?${asked}`);
  for (const each of place.querySelectorAll("[data-length]")) {
    if (each.dataset.length === look.length) each.setAttribute("aria-current", "true"); else each.removeAttribute("aria-current");
  }
  const later = place.querySelector("[data-move=later]");
  if (look.follows) later.setAttribute("aria-disabled", "true"); else later.removeAttribute("aria-disabled");
}

// ---- What is asked for ----

/** A point a pixel, and no more than the steps of the server are made for. */
const points = () => Math.min(740, Math.max(200, Math.round(plots.salinity.clientWidth || 740)));
const iso = (ms) => new Date(Math.round(ms)).toISOString();

/** Ask for all that is looked at. @param {boolean} words Whether the words are to follow. */
async function ask(words) {
  nextAt = Infinity;
  asking?.abort();
  asking = new AbortController();
  const { signal } = asking;
  try {
    const found = await readings({ from: iso(look.from), to: iso(look.to), points: points() }, signal);
    answer = found;
    show();
    if (words) await tell(signal);
  } catch (error) {
    if (error.name !== "AbortError") fail(error);
  }
}

/** Add what came since; the rest stays. */
async function follow() {
  const last = answer.columns.time_ms.at(-1) ?? look.from;
  const span = look.to - look.from;
  const to = now();
  const from = Math.max(to - span, Math.min(last, to) - 2000 * answer.step_s);
  try {
    const asked = { from: iso(from), to: iso(to), points: 2000, step_s: answer.step_s };
    const found = await readings(asked, asking?.signal);
    if (!look.follows) return;
    look = { ...look, from: to - span, to };
    const known = answer.marks.length;
    answer = added(answer, found, look.from);
    show();
    if (answer.marks.length !== known || Date.now() - wordsAt > WORDS_EVERY_MS) await tell(asking?.signal);
  } catch (error) {
    if (error.name !== "AbortError") fail(error);
  }
}

/** Two answers as one: what is newer takes the place of what it covers. */
function added(old, fresh, from) {
  const since = Date.parse(fresh.from);
  const keep = old.columns.time_ms.map((t, i) => (t < since && t >= from ? i : -1)).filter((i) => i >= 0);
  const columns = Object.fromEntries(Object.entries(fresh.columns)
    .map(([name, values]) => [name, [...keep.map((i) => old.columns[name][i]), ...values]]));
  const outside = (each) => Date.parse(each.to ?? each.time) < since && Date.parse(each.to ?? each.time) >= from;
  const earlier = old.phases.filter((each) => Date.parse(each.time) < since);
  const seen = new Set(earlier.map((each) => each.time));
  return {
    ...old, columns, forecast: fresh.forecast, complete_from: fresh.complete_from, missing: fresh.missing,
    gaps: [...old.gaps.filter(outside), ...fresh.gaps],
    marks: [...old.marks.filter(outside), ...fresh.marks],
    phases: [...earlier, ...fresh.phases.filter((each) => !seen.has(each.time))],
  };
}

/** @returns {Promise<any>} */
async function readings(asked, signal) {
  const query = new URLSearchParams({ reservoir: place.dataset.reservoir, ...asked });
  const response = await fetch(`/api/readings?${query}`, { signal });
  const found = await response.json();
  if (!response.ok) throw new Error(found.detail ?? `the station answers ${response.status}`);
  lost.hidden = true;
  return found;
}

/** Have the server say the same in words; it escaped all of it. */
async function tell(signal) {
  wordsAt = Date.now();
  const query = new URLSearchParams({ reservoir: place.dataset.reservoir, from: iso(look.from), to: iso(look.to), points: points() });
  const response = await fetch(`/trend/words?${query}`, { signal });
  if (!response.ok) return;
  const words = place.querySelector(".words");
  if (!words.contains(document.activeElement)) words.innerHTML = await response.text();
}

function show() {
  place.querySelector(".charts").hidden = false;
  const pointed = rows?.salinity[selected]?.[0];
  rows = rowsOf(answer);
  draw();
  selected = pointed === undefined ? -1 : rows.salinity.findIndex((each) => each[0] === pointed);
  if (selected < 0) readNewest(); else readOff(selected, false);
  nextAt = Date.now() + Math.min(60e3, Math.max(2000, 500 * answer.step_s));
}

function fail(error) {
  lost.textContent = `The chart is not up to date: ${error.message}. It goes on as soon as the station answers.`;
  lost.hidden = false;
  nextAt = Date.now() + 3000;
}

// ---- Who acts ----

place.addEventListener("click", (event) => {
  const target = event.target.closest("[data-length], [data-move], [data-zoom]");
  if (!target || event.ctrlKey || event.metaKey || event.shiftKey) return;
  event.preventDefault();
  if (target.dataset.length) go(latest(target.dataset.length), true);
  if (target.dataset.move === "earlier") move(-1);
  if (target.dataset.move === "later" && !look.follows) move(1);
  if (target.dataset.move === "now") go(latest(look.length, look.to - look.from));
  if (target.dataset.zoom === "closer") zoom(0.5);
  if (target.dataset.zoom === "wider") zoom(2);
  if (target.dataset.zoom === "fit") {
    fit = !fit;
    target.setAttribute("aria-pressed", String(fit));
    if (answer) draw();
  }
});
const KEYS = { "+": () => zoom(0.5), "=": () => zoom(0.5), "-": () => zoom(2), "−": () => zoom(2),
  ArrowLeft: () => move(-0.25), ArrowRight: () => move(0.25), PageUp: () => move(-1), PageDown: () => move(1),
  Home: () => go(latest(look.length, look.to - look.from)) };
for (const plot of Object.values(plots)) {
  plot.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || !answer) return;
    const byPoint = event.shiftKey && { ArrowLeft: -1, ArrowRight: 1 }[event.key];
    if (!byPoint && !KEYS[event.key]) return;
    event.preventDefault();
    if (byPoint) step(byPoint); else KEYS[event.key]();
  });
  plot.addEventListener("wheel", (event) => {
    if (document.activeElement !== plot && !event.ctrlKey) return;
    event.preventDefault();
    const at = charts?.salinity.toDataXCoord(event.clientX - plot.getBoundingClientRect().left);
    zoom(event.deltaY < 0 ? 0.8 : 1.25, at);
  }, { passive: false });
  plot.addEventListener("pointerdown", () => plot.focus({ preventScroll: true }));
}
place.querySelector(".reservoir select")?.addEventListener("change", (event) => event.target.form.submit());
document.addEventListener("beat", (event) => {
  serverLead = Date.parse(event.detail.time) - Date.now();
  if (document.hidden || Date.now() < nextAt || (lost.hidden && !look.follows)) return;
  nextAt = Infinity;
  if (answer && lost.hidden) follow(); else ask(true);
});
document.addEventListener("liveness", (event) => { if (event.detail === "live" && !lost.hidden) ask(true); });
document.addEventListener("visibilitychange", () => { if (!document.hidden && look.follows) go(latest(look.length, look.to - look.from)); });
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { if (answer) draw(); });

place.querySelector(".zooms").hidden = false;
place.classList.add("drawn");
place.querySelector(".charts").hidden = false;
if (place.dataset.reservoir) ask(false);
