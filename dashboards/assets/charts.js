// Draws the charts of a batch with uPlot in place of the server's small pictures, from the same
// numbers. If anything is missing, the picture stays.
/* global uPlot */

const drawn = new Map();

function color(name) {
  return getComputedStyle(document.documentElement).getPropertyValue(name).trim();
}

function height(spot) {
  return Math.max(200, Math.min(320, Math.round(spot.clientWidth * 0.6)));
}

// One column of times for all series: a missing value is undefined (the line goes on), a gap in
// the readings is null (the line breaks).
function table(lines) {
  const tables = lines.map((line) => [line.x, line.y]).filter((t) => t[0].length > 0);
  return tables.length ? uPlot.join(tables, tables.map((t) => t.slice(1).map(() => 2))) : [[]];
}

function numbers(kind, data) {
  if (kind === 'rise') {
    const r = data.rise;
    const lines = [
      { x: r.x, y: r.high, label: 'to', stroke: '--band', width: 1 },
      { x: r.x, y: r.low, label: 'from', stroke: '--band', width: 1 },
      { x: r.x, y: r.middle, label: 'likely', stroke: '--middle', width: 2.2 },
      { x: r.seen_x, y: r.seen_y, label: 'seen', stroke: '--ink', width: 0, dots: true },
    ];
    if (r.target !== null && r.x.length) lines.push({ x: [r.x[0], r.x[r.x.length - 1]], y: [r.target, r.target], label: 'ready', stroke: '--limit', dash: [7, 5] });
    return { lines, bands: true, unit: '%' };
  }
  const t = data.temperature;
  const lines = [
    { x: t.air_x, y: t.air_y, label: 'air', stroke: '--air', width: 2.2 },
    { x: t.dough_x, y: t.dough_y, label: 'dough', stroke: '--dough', width: 2.2 },
    { x: t.assumed_x, y: t.assumed_y, label: 'air to come', stroke: '--air', dash: [3, 4] },
  ];
  const all = [...t.air_x, ...t.dough_x, ...t.assumed_x];
  if (t.ceiling !== null && all.length) {
    const ends = [all.reduce((a, b) => Math.min(a, b)), all.reduce((a, b) => Math.max(a, b))];
    lines.push({ x: ends, y: [t.ceiling, t.ceiling], label: 'limit', stroke: '--limit', dash: [7, 5] });
  }
  return { lines, bands: false, unit: t.unit };
}

function draw(figure, data, anew) {
  const spot = figure.querySelector('.plot');
  const { lines, bands, unit } = numbers(figure.dataset.chart, data);
  const shown = lines.filter((line) => line.x.length > 0);
  if (shown.length === 0) return;
  const columns = table(shown);
  const before = drawn.get(figure);
  if (before && !anew && before.series.length === shown.length + 1) {
    before.setData(columns);
    return;
  }
  const zone = figure.dataset.zone;
  const clock = new Intl.DateTimeFormat('en-GB', { hour: '2-digit', minute: '2-digit', timeZone: zone });
  const soft = color('--soft');
  const font = '13px system-ui, sans-serif';
  const axis = { stroke: soft, font, grid: { stroke: color('--grid'), width: 1 }, ticks: { stroke: color('--grid'), width: 1 } };
  const options = {
    width: spot.clientWidth,
    height: height(spot),
    tzDate: (s) => uPlot.tzDate(new Date(s * 1000), zone),
    cursor: { drag: { x: true, y: false } },
    legend: { show: false },
    axes: [
      { ...axis, space: 60, values: (u, splits) => splits.map((s) => clock.format(new Date(s * 1000))) },
      { ...axis, size: 56, values: (u, splits) => splits.map((v) => `${Math.round(v * 10) / 10}${bands ? ' %' : ''}`) },
    ],
    series: [
      { label: 'at', value: (u, s) => (s === null ? '–' : clock.format(new Date(s * 1000))) },
      ...shown.map((line) => ({
        label: line.label,
        stroke: color(line.stroke),
        width: line.width ?? 1.5,
        dash: line.dash,
        points: { show: line.dots === true, size: 9, fill: color(line.stroke) },
        value: (u, v) => (v === null || v === undefined ? '–' : `${Math.round(v * 10) / 10} ${unit}`),
      })),
    ],
  };
  if (bands && shown[0].label === 'to') options.bands = [{ series: [1, 2], fill: color('--band') }];
  if (before) before.destroy();
  spot.replaceChildren();
  drawn.set(figure, new uPlot(options, columns, spot));
}

async function load(figure, anew) {
  const answer = await fetch(figure.dataset.src, { headers: { accept: 'application/json' } });
  if (!answer.ok) return;
  draw(figure, await answer.json(), anew);
}

export async function refreshCharts(anew = false) {
  if (typeof uPlot === 'undefined') return;
  await Promise.all([...document.querySelectorAll('figure[data-chart]')].map((f) => load(f, anew).catch(() => {})));
}

export function drawCharts() {
  if (typeof uPlot === 'undefined') return;
  refreshCharts();
  window.matchMedia('(prefers-color-scheme: dark)').addEventListener('change', () => refreshCharts(true));
  // A turned phone: the charts follow their column, without asking for the numbers again.
  const follow = new ResizeObserver((entries) => {
    for (const { target } of entries) {
      const plot = drawn.get(target.parentElement);
      if (plot && plot.width !== target.clientWidth) plot.setSize({ width: target.clientWidth, height: height(target) });
    }
  });
  for (const spot of document.querySelectorAll('figure[data-chart] .plot')) follow.observe(spot);
}
