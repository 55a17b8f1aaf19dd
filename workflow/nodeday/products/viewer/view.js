// One time axis for all nodes. The server thins out; this page asks anew whenever the window moves.
"use strict";

const STRIP = 0.16, GAP = 0.022, REST_MS = 110, LEAST_MS = 20;
const plot = document.getElementById("plot");
const show = (id, text) => { document.getElementById(id).textContent = text; };
const ask = async (what, parameters = {}) => {
  const answer = await fetch(`${what}?${new URLSearchParams(parameters)}`);
  const body = await answer.json();
  if (!answer.ok) throw new Error(body.error);
  return body;
};

let day, panels, marked = null, window_ = [0, 1], waiting = null, turn = 0, drawing = false;

const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();
// Plotly's dates have no zone: the session's own offset from UTC is added, so that clocks read as on the day.
const date = (ms) => day.start_ms + day.offset_ms + ms;
const clock = (ms, digits = 0) => new Date(date(ms)).toISOString().slice(11, 19 + (digits ? digits + 1 : 0));

function panelsOf(channels) {
  const found = [];
  for (const each of channels) {
    const last = found[found.length - 1];
    if (last && last.node === each.node && last.stream === each.stream && last.unit === each.unit) last.channels.push(each);
    else found.push({node: each.node, placement: each.placement, stream: each.stream, unit: each.unit, channels: [each]});
  }
  if (found.some((panel) => panel.stream === "ecg")) found.push({node: "heart", stream: "rate", unit: "bpm", channels: []});
  return found;
}

function axes() {
  const height = (1 - GAP * (panels.length - 1)) / panels.length;
  const layout = {
    margin: {l: 92, r: 12, t: 6, b: 34}, showlegend: false, dragmode: "pan", hovermode: "x unified", bargap: 0,
    paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)", uirevision: "one", annotations: [],
    height: Math.max(innerHeight - plot.offsetTop - 66, panels.length * 84),
    font: {family: "system-ui, 'Segoe UI', 'Liberation Sans', sans-serif", size: 11, color: colour("ink")},
    hoverlabel: {bgcolor: colour("paper"), bordercolor: colour("rule"), font: {color: colour("ink")}},
    xaxis: {
      type: "date", range: window_.map(date), anchor: "free", position: 0, gridcolor: colour("grid"), linecolor: colour("ink"),
      showspikes: true, spikemode: "across", spikethickness: 1, spikecolor: colour("soft"), spikedash: "solid",
      minallowed: date(-1000), maxallowed: date(day.end_ms - day.start_ms + 1000),
    },
  };
  layout.shapes = marked ? [{
    type: "rect", xref: "x", yref: "paper", x0: date(marked.from), x1: date(Math.max(marked.to, marked.from + 1)), y0: 0, y1: 1,
    layer: "below", fillcolor: colour("wash"), line: {color: colour("loss"), width: 1, dash: "dash"},
  }] : [];
  panels.forEach((panel, index) => {
    const top = 1 - index * (height + GAP), strip = panel.channels.length ? height * STRIP : 0;
    layout[`yaxis${index * 2 + 1}`.replace("axis1", index ? "axis1" : "axis")] = {
      domain: [top - height + strip * 1.25, top], gridcolor: colour("grid"), zeroline: false, nticks: 4, fixedrange: true,
    };
    layout[`yaxis${index * 2 + 2}`] = {domain: [top - height, top - height + strip], range: [0, 1], visible: false, fixedrange: true};
    layout.annotations.push({
      xref: "paper", yref: "paper", x: 0, xanchor: "right", xshift: -40, y: top, yanchor: "top", showarrow: false, align: "right",
      text: `<b>${safe(panel.node)}</b><br>${safe(panel.stream)}<br>${safe(panel.unit)}`,
    });
  });
  return layout;
}

// Plotly reads a few HTML tags in text.
const safe = (text) => text.replaceAll("&", "&amp;").replaceAll("<", "&lt;");

function traces(panel, index, answers) {
  const y = index ? `y${index * 2 + 1}` : "y", strip = `y${index * 2 + 2}`, ink = colour("ink"), accent = colour("loss");
  if (!panel.channels.length) {
    const {t, bpm} = answers[0];
    return [{x: t.map(date), y: bpm, yaxis: y, mode: t.length < 400 ? "lines+markers" : "lines", line: {color: ink, width: 1}, marker: {size: 4}, name: "rate"}];
  }
  const shades = panel.channels.length > 1 ? ["solid", "dot", "dash"] : ["solid"], out = [];
  answers.forEach((answer, number) => {
    const name = panel.channels[number].channel, line = {color: ink, width: 1, dash: shades[number % 3]};
    if (answer.form === "envelope") {
      const x = answer.t.flatMap((t) => [date(t), date(t)]);
      out.push({x, y: answer.t.flatMap((_, at) => [answer.low[at], answer.high[at]]), yaxis: y, mode: "lines",
        line: {...line, dash: "solid"}, opacity: panel.channels.length > 1 ? .6 : 1, name, hoverinfo: "skip"});
    } else {
      const close = answer.t.length < 500, x = answer.t.map((t) => (t === null ? null : date(t)));
      out.push({x, y: answer.value, yaxis: y, mode: close ? "lines+markers" : "lines", line, marker: {size: 3, color: ink}, name});
      out.push({x, y: answer.fill, yaxis: y, mode: "lines+markers", line: {color: accent, width: 2, dash: "dot"},
        marker: {size: close ? 6 : 3, symbol: "diamond-open", color: accent}, name: `${name}, computed`, hoverinfo: close ? "all" : "skip"});
    }
  });
  return out.concat(loss(answers[0], strip, accent));
}

function loss(answer, yaxis, accent) {
  const bar = (t, width, y, marker, name) => ({type: "bar", x: t.map(date), width, offset: 0, y, yaxis, marker, name, hoverinfo: "name"});
  const spans = (each, marker, name) => bar(each.map(([from]) => from), each.map(([from, to]) => to - from), each.map(() => 1), marker, name);
  const silent = spans(answer.silent, {color: "rgba(0,0,0,0)", line: {width: 1, color: accent}}, "silent: nothing known");
  if (answer.form === "samples") return [silent, spans(answer.missing, {color: accent}, "missing")];
  const width = answer.t.length > 1 ? answer.t[1] - answer.t[0] : 250;
  return [
    silent,
    bar(answer.t, width, answer.missing, {color: accent}, "missing"),
    {...bar(answer.t, width, answer.filled, {color: "rgba(0,0,0,0)", line: {width: 0}, pattern: {shape: "/", fgcolor: accent, size: 4}}, "filled"), base: answer.missing},
  ];
}

async function draw() {
  const request = ++turn, [from, to] = window_, points = Math.min(4000, Math.max(200, Math.round(plot.clientWidth * 1.5)));
  const span = {from, to, points};
  show("span", `${clock(from)} to ${clock(to, to - from < 60000 ? 3 : 0)} ${day.zone} · ${length(to - from)}`);
  const named = marked ? `&cell=${encodeURIComponent(marked.label)}` : "";
  history.replaceState(null, "", `#from=${Math.round(from)}&to=${Math.round(to)}${named}`);
  try {
    const found = await Promise.all(panels.map((panel) => panel.channels.length
      ? Promise.all(panel.channels.map((each) => ask("window", {channel: each.key, ...span})))
      : ask("beats", {...span, points: Math.min(points, 1500)}).then((answer) => [answer])));
    if (request !== turn) return;
    drawing = true;
    await Plotly.react(plot, panels.flatMap((panel, index) => traces(panel, index, found[index])), axes(),
      {scrollZoom: true, displayModeBar: false, responsive: true, doubleClick: false});
    drawing = false;
    show("trouble", "");
    document.body.dataset.drawn = String(request);
  } catch (error) {
    drawing = false;
    show("trouble", `${error.message || error}`);
  }
}

function length(ms) {
  if (ms < 1000) return `${ms.toFixed(0)} ms`;
  if (ms < 120000) return `${(ms / 1000).toFixed(1)} s`;
  return ms < 7200000 ? `${(ms / 60000).toFixed(1)} min` : `${(ms / 3600000).toFixed(1)} h`;
}

function move(from, to) {
  const full = day.end_ms - day.start_ms, size = Math.min(Math.max(to - from, LEAST_MS), full);
  from = Math.min(Math.max((from + to - size) / 2, 0), full - size);
  window_ = [from, from + size];
  draw();
}

const zoom = (by) => { const mid = (window_[0] + window_[1]) / 2, half = (window_[1] - window_[0]) / 2 * by; move(mid - half, mid + half); };
const pan = (by) => { const size = window_[1] - window_[0]; move(window_[0] + by * size, window_[1] + by * size); };
function hole(step) {
  const mid = (window_[0] + window_[1]) / 2, ordered = step > 0 ? day.gaps : [...day.gaps].reverse();
  const found = ordered.find((gap) => step > 0 ? (gap.from + gap.to) / 2 > mid + 1 : (gap.from + gap.to) / 2 < mid - 1);
  if (!found) return show("trouble", step > 0 ? "No later hole." : "No earlier hole.");
  const around = Math.max(found.to - found.from, 2000);
  move(found.from - around, found.to + around);
}
async function jump(text, zoomed = true) {
  try {
    marked = text.trim() ? await ask("cell", {of: text}) : null;
  } catch (error) {
    return show("trouble", `${error.message || error}`);
  }
  show("marked", marked ? `Marked: ${marked.label}` : "");
  if (!marked || !zoomed) return draw();
  const around = Math.max((marked.to - marked.from) / 4, 1000);
  move(marked.from - around, marked.to + around);
}
const actions = {
  whole: () => move(0, day.end_ms - day.start_ms), in: () => zoom(.5), out: () => zoom(2), next: () => hole(1), before: () => hole(-1),
  beat: () => { const mid = (window_[0] + window_[1]) / 2; move(mid - 1500, mid + 1500); },
};
const keys = {"0": actions.whole, "+": actions.in, "=": actions.in, "-": actions.out, "n": actions.next, "p": actions.before, "b": actions.beat,
  ArrowLeft: () => pan(-.25), ArrowRight: () => pan(.25)};

function listen() {
  for (const [id, action] of Object.entries(actions)) document.getElementById(id).addEventListener("click", action);
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || ["INPUT", "SELECT"].includes(event.target.tagName)) return;
    const action = keys[event.key];
    if (action) { event.preventDefault(); action(); }
  });
  const phase = document.getElementById("phase");
  day.phases.forEach((each, at) => phase.add(new Option(each.phase, at)));
  phase.addEventListener("change", () => { const each = day.phases[phase.value]; if (each) move(each.from, each.to); });
  document.getElementById("cell").addEventListener("change", (event) => jump(event.target.value));
  document.getElementById("goto").addEventListener("change", (event) => {
    const parts = event.target.value.trim().match(/^(\d{1,2}):(\d{2})(?::(\d{2}(?:\.\d+)?))?$/);
    if (!parts) return show("trouble", "Expected a time such as 09:30 or 09:30:15.");
    const midnight = Math.floor(date(0) / 86400000) * 86400000;
    let at = midnight + (parts[1] * 3600 + parts[2] * 60 + (parts[3] || 0) * 1) * 1000 - date(0);
    if (at < 0) at += 86400000; // after midnight
    const half = Math.min((window_[1] - window_[0]) / 2, 30000);
    move(at - half, at + half);
  });
  plot.on("plotly_relayout", (change) => {
    if (drawing || change["xaxis.range[0]"] === undefined) return;
    const [from, to] = ["xaxis.range[0]", "xaxis.range[1]"].map((key) => parse(change[key]) - date(0));
    window_ = [from, to];
    clearTimeout(waiting);
    waiting = setTimeout(() => move(from, to), REST_MS);
  });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);
}

const parse = (value) => (typeof value === "number" ? value : Date.parse(`${String(value).replace(" ", "T")}${String(value).includes(":") ? "Z" : ""}`));

async function begin() {
  try {
    day = await ask("session");
  } catch (error) {
    return show("trouble", `${error.message || error}`);
  }
  panels = panelsOf(day.channels);
  document.title = `${day.session}: day view`;
  show("title", `${day.session} · ${day.study}`);
  const asked = new URLSearchParams(location.hash.slice(1));
  window_ = [0, day.end_ms - day.start_ms];
  if (Number.isFinite(parseFloat(asked.get("from")))) window_ = [parseFloat(asked.get("from")), parseFloat(asked.get("to"))];
  await draw();
  listen();
  if (asked.get("cell")) await jump(asked.get("cell"), !asked.get("from"));
}

begin();
