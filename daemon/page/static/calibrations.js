// Draws how the cell of each probe drifts: what each record measured, what was assumed before
// any, and what all of them expect. The figures come from the station's own interface.

const K = 2;
const DAY_MS = 86400000;
/** @type {any} */
const Graph = /** @type {any} */ (window).Dygraph;
// The legend of the library writes styles into markup, which the page's policy forbids.
Graph.PLUGINS = Graph.PLUGINS.filter((each) => each !== Graph.Plugins.Legend);
const charts = [...document.querySelectorAll(".drift-chart")];

/** How much larger than usual text is here: charts measure in pixels. */
function scale() {
  return parseFloat(getComputedStyle(document.documentElement).fontSize) / 16;
}

/** A colour of the frame. @param {string} name */
function colour(name) {
  return getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();
}

/** A moment as the axis has it. @param {string} text */
function moment(text) {
  return new Date(text.length === 10 ? `${text}T12:00:00Z` : text);
}

/** One row for each moment of any series; each value is low, middle, high. @param {any} drift */
function rowsOf(drift) {
  const at = new Map();
  const put = (time, series, value) => {
    const key = time.getTime();
    const row = at.get(key) ?? [null, null, null, null];
    row[series] = value;
    at.set(key, row);
  };
  const spread = (factor, u) => [factor - K * u, factor, factor + K * u];
  for (const each of drift.measured) {
    put(moment(each.at), each.kind === "check" ? 1 : 0, spread(each.factor, each.factor_u));
  }
  for (const each of drift.by_prior) put(moment(each.day), 2, spread(each.factor, each.factor_u));
  for (const each of drift.by_records) put(moment(each.day), 3, spread(each.factor, each.factor_u));
  return [...at.entries()].sort((a, b) => a[0] - b[0]).map(([key, row]) => [new Date(key), ...row]);
}

/** Draw limits and dates below the series. @param {any} drift */
function underlay(drift) {
  return (/** @type {CanvasRenderingContext2D} */ context, area, graph) => {
    context.save();
    context.lineWidth = 2 * scale();
    context.strokeStyle = colour("outside");
    context.setLineDash([2, 4]);
    for (const limit of [drift.low, drift.high]) {
      if (limit === null) continue;
      const y = graph.toDomYCoord(limit);
      context.beginPath();
      context.moveTo(area.x, y);
      context.lineTo(area.x + area.w, y);
      context.stroke();
    }
    context.setLineDash([]);
    if (drift.calibrate_by) {
      context.strokeStyle = colour("caution");
      const x = graph.toDomXCoord(moment(drift.calibrate_by).getTime());
      context.beginPath();
      context.moveTo(x, area.y);
      context.lineTo(x, area.y + area.h);
      context.stroke();
    }
    context.restore();
  };
}

/** A record as a shape with its interval. @param {boolean} square */
function shape(square) {
  return (graph, name, context, x, y, tint, size, at) => {
    const value = graph.getValue(at, name === "calibration" ? 1 : 2);
    context.strokeStyle = tint;
    context.fillStyle = tint;
    context.lineWidth = 1.5 * scale();
    if (Array.isArray(value)) {
      const [low, , high] = value;
      context.beginPath();
      context.moveTo(x, graph.toDomYCoord(low));
      context.lineTo(x, graph.toDomYCoord(high));
      context.stroke();
    }
    context.beginPath();
    if (square) context.rect(x - size, y - size, 2 * size, 2 * size);
    else context.arc(x, y, size, 0, 2 * Math.PI);
    context.fill();
  };
}

/** The values that the axis must reach. @param {any} drift @param {any[]} rows */
function rangeOf(drift, rows) {
  const values = [drift.low, drift.high];
  for (const row of rows) for (const value of row.slice(1, 3)) if (value) values.push(...value);
  const known = values.filter((each) => Number.isFinite(each));
  const low = Math.min(...known);
  const high = Math.max(...known);
  const room = Math.max((high - low) * 0.08, 0.001);
  return [low - room, high + room];
}

/** Say what lies under the pointer. @param {HTMLElement} place @param {number} x @param {any[]} points */
function readOut(place, x, points) {
  const line = place.parentElement.querySelector(".read-out");
  const day = new Date(x).toLocaleDateString();
  const parts = points.filter((each) => Number.isFinite(each.yval))
    .map((each) => `${each.name} ${each.yval.toFixed(4)}`);
  if (line) line.textContent = `${day}: ${parts.join(", ")}`;
}

/** Draw one chart. @param {HTMLElement} place */
async function draw(place) {
  const { reservoir, probe } = place.dataset;
  const query = new URLSearchParams({ reservoir, probe });
  const reply = await fetch(`/api/calibrations/drift?${query}`);
  if (!reply.ok) return;
  const drift = await reply.json();
  const rows = rowsOf(drift);
  if (!rows.length) return;
  const [first, last] = [rows[0][0].getTime(), rows[rows.length - 1][0].getTime()];
  const graph = new Graph(place, rows, {
    labels: ["time", "calibration", "check", "assumed", "expected"],
    customBars: true,
    connectSeparatedPoints: true,
    ylabel: "relative cell constant",
    valueRange: rangeOf(drift, rows),
    dateWindow: [first - 10 * DAY_MS, last + 5 * DAY_MS],
    axes: {
      y: { valueFormatter: (value) => value.toFixed(4), axisLabelFormatter: (value) => value.toFixed(3), axisLabelWidth: 56 * scale() },
      x: { axisLabelWidth: 72 * scale() },
    },
    series: {
      calibration: { strokeWidth: 0, fillAlpha: 0, drawPoints: true, pointSize: 5 * scale(), drawPointCallback: shape(false), drawHighlightPointCallback: shape(false), color: colour("ink") },
      check: { strokeWidth: 0, fillAlpha: 0, drawPoints: true, pointSize: 4 * scale(), drawPointCallback: shape(true), drawHighlightPointCallback: shape(true), color: colour("ink") },
      assumed: { strokeWidth: 0, fillAlpha: 0.45, color: colour("band") },
      expected: { strokeWidth: 2 * scale(), strokePattern: [7, 4], fillAlpha: 0.2, color: colour("inside") },
    },
    axisLabelFontSize: 13 * scale(),
    yLabelWidth: 18 * scale(),
    axisLineColor: colour("rule"),
    gridLineColor: colour("rule"),
    gridLineWidth: 0.4,
    underlayCallback: underlay(drift),
    highlightCallback: (_event, x, points) => readOut(place, x, points),
  });
  graph.resize();
}

/** Draw all, again after a change of light. */
function drawAll() {
  for (const place of charts) draw(place).catch(() => {});
}

drawAll();
window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", drawAll);
