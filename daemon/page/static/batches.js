// Draws what the tables beside say already: the curve of a batch, several over one another, and
// what each batch of a lot showed.  All of it comes from the interface for programs.

const COVERAGE_K = 2;
const AGAIN_MS = 30000;
const AFTER_SHARE = 0.25;
const UNITS = [
  { upTo: 4 * 3600, seconds: 60, word: "min" },
  { upTo: 4 * 86400, seconds: 3600, word: "h" },
  { upTo: Infinity, seconds: 86400, word: "d" },
];
const NARROW_PX = 500;
const PHASES = {
  idle: "ended", blank: "no salt yet", dissolving: "mixing", verifying: "verifying",
  ready: "released", off_target: "off target", stale: "expired",
};

// The library's own legend writes styles into its markup, which the page's policy forbids; the
// line below each chart says more.
Dygraph.PLUGINS = Dygraph.PLUGINS.filter((each) => each !== Dygraph.Plugins.Legend);

/**
 * @typedef {{batch: string, from_salt: boolean, low_ppt: number | null, high_ppt: number | null,
 *   seconds: number[], salinity: (number | null)[], salinity_u: (number | null)[],
 *   temperature_C: (number | null)[],
 *   marks: {seconds: number, kind: string, phase: string | null, text: string}[]}} Curve
 * @typedef {{salt_content: number, salt_content_u: number, lot: string,
 *   shown: {batch: string, released: string | null, salt_content: number,
 *     salt_content_u: number}[]}} Lot
 * @typedef {{name: string, window: [number, number] | null, range: [number, number] | null}} View
 */

/** Return one of the tones of the page. @param {string} name */
const tone = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

/** Return the size of small text, px. */
const small = () => 0.8125 * parseFloat(getComputedStyle(document.documentElement).fontSize);

/** Return the width of a line that is seen from afar on a large screen, too, px. */
const stroke = () => Math.max(2, small() / 6.5);

/** Fetch JSON; an error says what the station answered. @param {string} address */
async function fetched(address) {
  const answer = await fetch(address, { headers: { Accept: "application/json" } });
  const found = await answer.json();
  if (!answer.ok) throw new Error(found.detail || answer.statusText);
  return found;
}

/** Return the unit in which so much time reads well. @param {number} seconds */
const unitOf = (seconds) => UNITS.find((unit) => seconds <= unit.upTo) ?? UNITS[2];

/** Return a time since salt in words. @param {number} seconds */
function spanWords(seconds) {
  const sign = seconds < 0 ? "−" : "";
  const minutes = Math.round(Math.abs(seconds) / 60);
  if (minutes < 120) return `${sign}${minutes} min`;
  return `${sign}${Math.floor(minutes / 60)} h ${String(minutes % 60).padStart(2, "0")} min`;
}

/** Return a salinity with its expanded uncertainty. @param {number} value @param {number | null} u */
const figureWords = (value, u) =>
  `${value.toFixed(2)} ± ${u === null ? "unknown" : (COVERAGE_K * u).toFixed(2)} ppt`;

/**
 * Return an axis of time since salt, as wide as its labels need.
 * @param {HTMLElement} plot @param {{word: string}} unit
 */
const timeAxis = (plot, unit) => ({
  axisLabelFormatter: (value) => `${+value.toFixed(2)} ${unit.word}`,
  axisLabelWidth: 5 * small(),
  pixelsPerLabel: plot.clientWidth < NARROW_PX ? 50 : 100,
});

/** Return an axis of salinity. */
const salinityAxis = () => ({ pixelsPerLabel: 2.6 * small() });

/** Return what every chart has in common. @param {HTMLElement} plot */
function usual() {
  const font = Math.max(12, small());
  return {
    showLabelsOnHighlight: false,
    axisLineColor: tone("--rule"),
    gridLineColor: tone("--wash"),
    axisLabelColor: tone("--quiet"),
    axisLabelFontSize: font,
    axisLabelWidth: 4.2 * font,
    xAxisHeight: 2 * font,
    rightGap: 8,
    highlightCircleSize: 5,
    panEdgeFraction: 0.1,
  };
}

/** Return when a curve is a quarter longer than its release; -Infinity without one. @param {Curve} curve */
function untilOf(curve) {
  const ready = curve.marks.filter((mark) => mark.phase === "ready").map((mark) => mark.seconds);
  return ready.length
    ? Math.min(curve.seconds.at(-1), ready[0] * (1 + AFTER_SHARE) + 120)
    : -Infinity;
}

/**
 * Return what can be looked at: up to release, near the target, everything.
 * @param {Curve[]} curves @param {number} unit
 * @returns {View[]}
 */
function viewsOf(curves, unit) {
  const first = Math.min(...curves.map((curve) => curve.seconds[0]));
  const last = Math.max(...curves.map((curve) => curve.seconds.at(-1)));
  const released = Math.max(...curves.map(untilOf));
  const until = Number.isFinite(released) ? released : last;
  const views = [];
  if (until < 0.9 * last) views.push({ name: "Until release", window: [first, until], range: null });
  views.push({ name: "Whole", window: [first, last], range: null });
  const lows = curves.map((curve) => curve.low_ppt).filter((each) => each !== null);
  const highs = curves.map((curve) => curve.high_ppt).filter((each) => each !== null);
  if (lows.length && highs.length) {
    const [low, high] = [Math.min(...lows), Math.max(...highs)];
    const room = 0.3 * (high - low);
    const near = Math.min(...curves.map((curve) =>
      curve.seconds[curve.salinity.findIndex((each) => each !== null && each >= low - room)] ?? Infinity));
    if (near < until) {
      views.push({ name: "Near the target", window: [near, until], range: [low - room, high + room] });
    }
  }
  return views.map((view) => ({ ...view, window: view.window.map((each) => each / unit) }));
}

/**
 * Put a button for each view beside the chart, and show the first.
 * @param {HTMLElement} figure @param {Dygraph} chart @param {View[]} views
 */
function offer(figure, chart, views) {
  const place = figure.querySelector(".views");
  /** @param {View} view */
  const show = (view) => {
    chart.updateOptions({ dateWindow: view.window, valueRange: view.range });
    press(view.name);
  };
  /** @param {string} name */
  const press = (name) => place.querySelectorAll("button").forEach((each) =>
    each.setAttribute("aria-pressed", String(each.textContent === name)));
  chart.updateOptions({ zoomCallback: () => press("") }, true);
  place.replaceChildren(...views.map((view) => {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = view.name;
    button.addEventListener("click", () => show(view));
    return button;
  }));
  const chosen = views.find((view) => view.name === figure.dataset.view) ?? views[0];
  place.addEventListener("click", (event) => {
    if (event.target.matches("button")) figure.dataset.view = event.target.textContent;
  });
  show(chosen);
}

/** Fill a level band across the chart. */
function fillBand(context, area, chart, low, high, fill) {
  if (low === null || high === null) return;
  const [top, bottom] = [chart.toDomYCoord(high), chart.toDomYCoord(low)];
  context.globalAlpha = 0.45;
  context.fillStyle = fill;
  context.fillRect(area.x, top, area.w, bottom - top);
  context.globalAlpha = 1;
}

/** Fill the expanded uncertainty about a curve, where it is known. */
function fillUncertainty(context, area, chart, curve, unit) {
  context.save();
  context.beginPath();
  context.rect(area.x, area.y, area.w, area.h);
  context.clip();
  context.fillStyle = tone("--inside");
  context.globalAlpha = 0.28;
  let part = [];
  const close = () => {
    if (part.length > 1) {
      context.beginPath();
      part.forEach(([x, s, half]) => context.lineTo(chart.toDomXCoord(x), chart.toDomYCoord(s + half)));
      part.reverse().forEach(([x, s, half]) =>
        context.lineTo(chart.toDomXCoord(x), chart.toDomYCoord(s - half)));
      context.fill();
    }
    part = [];
  };
  curve.seconds.forEach((second, at) => {
    const [value, u] = [curve.salinity[at], curve.salinity_u[at]];
    if (value === null || u === null) close();
    else part.push([second / unit, value, COVERAGE_K * u]);
  });
  close();
  context.restore();
}

/** Draw an upright line where each phase began, with its name; near ones share a label. */
function drawMarks(context, area, chart, curve, unit) {
  context.strokeStyle = tone("--quiet");
  context.fillStyle = tone("--quiet");
  context.font = `${small()}px system-ui, sans-serif`;
  context.setLineDash([2, 3]);
  /** @type {{x: number, names: string[]}[]} */
  const groups = [];
  for (const mark of curve.marks.filter((each) => each.phase)) {
    const x = chart.toDomXCoord(mark.seconds / unit);
    if (x < area.x || x > area.x + area.w) continue;
    context.beginPath();
    context.moveTo(x, area.y);
    context.lineTo(x, area.y + area.h);
    context.stroke();
    const name = PHASES[mark.phase] ?? mark.phase;
    const last = groups.at(-1);
    if (last && x - last.x < 1.4 * small()) last.names.push(name);
    else groups.push({ x, names: [name] });
  }
  for (const { x, names } of groups) {
    context.save();
    context.translate(x + (x - area.x > 1.4 * small() ? -0.35 : 1.05) * small(), area.y + area.h - 16);
    context.rotate(-Math.PI / 2);
    context.fillText(names.join(" > "), 0, 0);
    context.restore();
  }
  context.setLineDash([]);
}

/**
 * Let a chart be read by pointer and by arrow keys.
 * @param {HTMLElement} figure @param {Dygraph} chart @param {(row: number) => string} words
 */
function readable(figure, chart, words) {
  const [plot, line] = [figure.querySelector(".plot"), figure.querySelector(".readout")];
  const hint = "Pointer or arrow keys: values. Drag: a part; double click: all.";
  const count = chart.numRows();
  let row = -1;
  /** @param {number} next */
  const read = (next) => {
    row = Math.max(0, Math.min(count - 1, next));
    chart.setSelection(row);
    line.textContent = words(row) || "no reading";
  };
  const rest = () => { chart.clearSelection(); line.textContent = hint; };
  chart.updateOptions({
    highlightCallback: (_, __, ___, found) => { row = found; line.textContent = words(found); },
    unhighlightCallback: () => { line.textContent = hint; },
  }, true);
  const steps = { ArrowRight: 1, ArrowLeft: -1, PageUp: -20, PageDown: 20 };
  plot.onkeydown = (event) => {
    if (event.key in steps) read(row + steps[event.key]);
    else if (event.key === "Home") read(0);
    else if (event.key === "End") read(count - 1);
    else if (event.key === "Escape") rest();
    else return;
    event.preventDefault();
  };
  rest();
}

/** Draw the curve of one batch. @param {HTMLElement} figure @param {Curve} curve */
function drawCurve(figure, curve) {
  const plot = figure.querySelector(".plot");
  const unit = unitOf(curve.seconds.at(-1) - curve.seconds[0]);
  figure.hidden = false;
  const rows = curve.seconds.map((second, at) => [second / unit.seconds, curve.salinity[at]]);
  const chart = new Dygraph(plot, rows, {
    ...usual(),
    labels: ["after", curve.batch],
    colors: [tone("--ink")],
    strokeWidth: stroke(),
    axes: { x: timeAxis(plot, unit), y: salinityAxis() },
    underlayCallback: (context, area, own) => {
      fillBand(context, area, own, curve.low_ppt, curve.high_ppt, tone("--band"));
      fillUncertainty(context, area, own, curve, unit.seconds);
      drawMarks(context, area, own, curve, unit.seconds);
    },
  });
  offer(figure, chart, viewsOf([curve], unit.seconds));
  readable(figure, chart, (row) => {
    if (curve.salinity[row] === null) return "";
    const warmth = curve.temperature_C[row];
    return `${spanWords(curve.seconds[row])}: ${figureWords(curve.salinity[row], curve.salinity_u[row])}`
      + (warmth === null ? "" : `, ${warmth.toFixed(1)} °C`);
  });
  return chart;
}

/**
 * Return rows that several curves share; a gap of one is not a number, a time that it has not null.
 * @param {Curve[]} curves @param {number} unit
 */
function shared(curves, unit) {
  /** @type {Map<number, (number | null)[]>} */
  const rows = new Map();
  curves.forEach((curve, place) => curve.seconds.forEach((second, at) => {
    const row = rows.get(second) ?? new Array(curves.length).fill(null);
    row[place] = curve.salinity[at] ?? NaN;
    rows.set(second, row);
  }));
  return [...rows].sort((one, other) => one[0] - other[0])
    .map(([second, values]) => [second / unit, ...values]);
}

/** Write the letter of each curve onto it, each at a place of its own. */
function putLetters(plot, chart, letters) {
  plot.querySelectorAll(".letter").forEach((each) => each.remove());
  const [first, last] = chart.xAxisRange();
  const from = Math.max(first, Math.min(0, last));
  const [low, high] = chart.yAxisRange();
  letters.forEach((letter, place) => {
    const wanted = from + ((place + 0.5) / letters.length) * (last - from);
    let best = null;
    for (let row = 0; row < chart.numRows(); row += 1) {
      const [x, y] = [chart.getValue(row, 0), chart.getValue(row, place + 1)];
      if (y === null || Number.isNaN(y) || x < first || x > last || y < low || y > high) continue;
      if (best === null || Math.abs(x - wanted) < Math.abs(best[0] - wanted)) best = [x, y];
    }
    if (best === null) return;
    const sign = document.createElement("span");
    sign.className = "letter";
    sign.textContent = letter;
    sign.style.left = `${chart.toDomXCoord(best[0])}px`;
    sign.style.top = `${chart.toDomYCoord(best[1])}px`;
    plot.append(sign);
  });
}

/** Draw several batches over one another. @param {HTMLElement} figure @param {Curve[]} curves */
function drawCompared(figure, curves, legend) {
  const plot = figure.querySelector(".plot");
  const span = Math.max(...curves.map((curve) => curve.seconds.at(-1) - curve.seconds[0]));
  const unit = unitOf(span);
  figure.hidden = false;
  const tones = [tone("--ink"), tone("--inside")];
  const letters = legend.map((row) => row.dataset.letter);
  const limits = curves.find((curve) => curve.low_ppt !== null);
  const chart = new Dygraph(plot, shared(curves, unit.seconds), {
    ...usual(),
    labels: ["after", ...letters],
    colors: curves.map((_, place) => tones[place % 2]),
    strokeWidth: stroke(),
    connectSeparatedPoints: true,
    series: Object.fromEntries(legend.map((row) => [row.dataset.letter, {
      strokePattern: row.dataset.pattern ? row.dataset.pattern.split(" ").map(Number) : null,
    }])),
    axes: { x: timeAxis(plot, unit), y: salinityAxis() },
    underlayCallback: (context, area, own) => {
      if (limits) fillBand(context, area, own, limits.low_ppt, limits.high_ppt, tone("--band"));
    },
    drawCallback: (own) => putLetters(plot, own, letters),
  });
  offer(figure, chart, viewsOf(curves, unit.seconds));
  readable(figure, chart, (row) => {
    const values = letters.map((letter, place) => [letter, chart.getValue(row, place + 1)])
      .filter(([, value]) => value !== null && !Number.isNaN(value))
      .map(([letter, value]) => `${letter} ${value.toFixed(2)}`);
    return values.length ? `${spanWords(chart.getValue(row, 0) * unit.seconds)}: ${values.join(", ")} ppt` : "";
  });
  return chart;
}

/** Draw the bar and the mark of each batch of a lot. @param {Lot} lot */
function lotPlotter(lot) {
  return (event) => {
    const { drawingContext: context, dygraph: chart } = event;
    for (const point of event.points) {
      const shown = lot.shown[point.xval - 1];
      const half = COVERAGE_K * shown.salt_content_u;
      const size = 0.45 * small();
      const apart = Math.abs(shown.salt_content - lot.salt_content)
        > COVERAGE_K * Math.hypot(shown.salt_content_u, lot.salt_content_u);
      context.strokeStyle = tone("--ink");
      context.fillStyle = tone(apart ? "--outside" : "--inside");
      context.lineWidth = stroke();
      context.beginPath();
      context.moveTo(point.canvasx, chart.toDomYCoord(shown.salt_content + half));
      context.lineTo(point.canvasx, chart.toDomYCoord(shown.salt_content - half));
      context.stroke();
      context.beginPath();
      if (apart) context.rect(point.canvasx - size, point.canvasy - size, 2 * size, 2 * size);
      else context.arc(point.canvasx, point.canvasy, size, 0, 2 * Math.PI);
      context.fill();
      context.stroke();
    }
  };
}

/** Draw what each batch of a lot showed. @param {HTMLElement} figure @param {Lot} lot */
function drawLot(figure, lot) {
  const plot = figure.querySelector(".plot");
  figure.hidden = false;
  const edges = lot.shown.flatMap((each) =>
    [-1, 1].map((sign) => each.salt_content + sign * COVERAGE_K * each.salt_content_u));
  const now = [-1, 1].map((sign) => lot.salt_content + sign * COVERAGE_K * lot.salt_content_u);
  const [low, high] = [Math.min(...edges, ...now), Math.max(...edges, ...now)];
  const room = 0.1 * (high - low);
  const dates = figure.dataset.dates.split(" ");
  const every = Math.ceil(lot.shown.length / (plot.clientWidth < NARROW_PX ? 4 : 8));
  const chart = new Dygraph(plot, lot.shown.map((each, at) => [at + 1, each.salt_content]), {
    ...usual(),
    labels: ["batch", lot.lot],
    dateWindow: [0.5, lot.shown.length + 0.5],
    valueRange: [low - room, high + room],
    plotter: lotPlotter(lot),
    axes: {
      y: { axisLabelFormatter: (value) => value.toFixed(3) },
      x: {
        ticker: () => lot.shown.map((_, at) => ({ v: at + 1, label: dates[at] ?? "" }))
          .filter((_, at) => at % every === 0),
        axisLabelWidth: 5 * small(),
        drawGrid: false,
      },
    },
    underlayCallback: (context, area, own) => {
      fillBand(context, area, own, now[0], now[1], tone("--band"));
      context.strokeStyle = tone("--ink");
      context.strokeRect(area.x, own.toDomYCoord(lot.salt_content), area.w, 0.01);
    },
  });
  readable(figure, chart, (row) => {
    const each = lot.shown[row];
    return `${each.batch}: ${each.salt_content.toFixed(3)} ± `
      + `${(COVERAGE_K * each.salt_content_u).toFixed(3)} g/g`;
  });
  return chart;
}

/** Say why there is no chart. @param {HTMLElement} figure @param {Error} error */
function complain(figure, error) {
  const line = document.createElement("p");
  line.className = "quiet";
  line.textContent = `The chart cannot be drawn: ${error.message}. The table has the figures.`;
  figure.before(line);
}

/** Draw a figure, and again when the tones of the page change. */
async function present(figure, load, draw) {
  try {
    let found = await load();
    if (found === null) return;
    let chart = draw(figure, found);
    const again = () => { chart.destroy(); chart = draw(figure, found); };
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", again);
    if (!("present" in figure.dataset)) return;
    setInterval(async () => {
      if (document.hidden || figure.contains(document.activeElement)) return;
      try {
        found = (await load()) ?? found;
        again();
      } catch {
        // The frame says that the station does not answer.
      }
    }, AGAIN_MS);
  } catch (error) {
    complain(figure, error);
  }
}

/**
 * Say when the record of a batch is no longer what the page shows.
 * @param {HTMLElement} line @param {string} address
 */
async function watch(line, address) {
  const loaded = JSON.stringify(await fetched(address));
  const timer = setInterval(async () => {
    if (document.hidden) return;
    try {
      if (JSON.stringify(await fetched(address)) === loaded) return;
      line.hidden = false;
      clearInterval(timer);
    } catch {
      // The frame says that the station does not answer.
    }
  }, AGAIN_MS);
}

/** Return a curve that can be drawn; null for one without points. @param {string} address */
async function curveAt(address) {
  const curve = await fetched(address);
  return curve.seconds.length > 1 ? curve : null;
}

for (const figure of document.querySelectorAll("figure[data-curve]")) {
  present(figure, () => curveAt(figure.dataset.curve), drawCurve);
}
for (const figure of document.querySelectorAll("figure[data-compare]")) {
  const rows = [...document.querySelectorAll("tr[data-curve]")];
  present(figure, async () => {
    const curves = await Promise.all(rows.map((row) => curveAt(row.dataset.curve)));
    const known = rows.map((row, at) => [row, curves[at]]).filter(([, curve]) => curve !== null);
    return known.length ? known : null;
  }, (own, known) => drawCompared(own, known.map(([, curve]) => curve), known.map(([row]) => row)));
}
for (const line of document.querySelectorAll("[data-record]")) {
  watch(line, line.dataset.record).catch(() => {});
}
const lotFigures = [...document.querySelectorAll("figure[data-lot]")];
if (lotFigures.length) {
  const lots = fetched("/api/lots");
  for (const figure of lotFigures) {
    present(figure, async () => {
      const lot = (await lots).lots.find((each) => each.lot === figure.dataset.lot);
      return lot && lot.shown.length ? lot : null;
    }, drawLot);
  }
}
