// The curve of a lot, drawn by plotly from data that the daemon has already thinned: zooming asks for the window anew.
"use strict";

(() => {
  const box = document.getElementById("chart");
  if (!box || !window.Plotly) return;
  const DAY = 86400000;
  const SHORTEST = 5 * 60000;
  const SYMBOLS = { start: "triangle-right", rack: "triangle-down", add: "cross", measure: "diamond", bottle: "square", stage: "line-ew-open" };
  let data = null;
  let shown = null; // [from, until] as the wall clock's milliseconds
  let asked = 0;
  let drawn = false;

  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const clear = (hex, alpha) => {
    const n = parseInt(hex.slice(1), 16);
    return `rgba(${n >> 16},${(n >> 8) & 255},${n & 255},${alpha})`;
  };
  const instants = (steps) => {
    let at = 0;
    return steps.map((step) => (step === null ? null : (at += step) * 1000));
  };
  const isCoarse = matchMedia("(pointer: coarse)").matches;

  const whole = () => [Number(box.dataset.from), Number(box.dataset.until)];

  const fetchWindow = async (window_) => {
    const turn = ++asked;
    const points = Math.min(2000, Math.max(240, Math.round(box.clientWidth) * 3));
    const query = new URLSearchParams({ points });
    if (window_) {
      query.set("from", Math.round(window_[0]));
      query.set("until", Math.round(window_[1]));
    }
    const answer = await fetch(`${box.dataset.href}?${query}`);
    if (!answer.ok || turn !== asked) return;
    data = await answer.json();
    if (turn !== asked) return;
    shown = window_ ?? openWindow();
    draw();
  };

  // With a forecast the first look shows it too, as far as it is surely ahead.
  const openWindow = () => {
    if (!data.forecast) return [data.from, data.until];
    const ends = instants(data.forecast.expected).at(-1);
    const most = data.until + (data.until - data.from) * 0.6;
    return [data.from, Math.min(ends + DAY, Math.max(most, data.until + 2 * DAY))];
  };

  const traces = () => {
    const wine = colour("--wine");
    const water = colour("--water");
    const ink = colour("--ink");
    const digits = data.units.gravity_digits;
    const made = [];
    for (const one of data.sensors) {
      if (one.gravity.at.length) {
        made.push({
          x: instants(one.gravity.at), y: one.gravity.y, mode: "markers", name: one.sensor, hoverinfo: "skip",
          marker: { size: box.clientWidth < 520 ? 2.2 : 3, color: clear(wine, 0.34) },
        });
      }
    }
    const at = instants(data.estimate.at);
    made.push({ x: at, y: data.estimate.high, mode: "lines", line: { width: 0 }, hoverinfo: "skip", name: "high" });
    made.push({
      x: at, y: data.estimate.low, mode: "lines", line: { width: 0 }, fill: "tonexty", fillcolor: clear(wine, 0.2),
      hoverinfo: "skip", name: "low",
    });
    if (data.forecast) {
      const early = instants(data.forecast.earliest);
      const late = instants(data.forecast.latest);
      made.push({
        x: [...early, ...late.toReversed()], y: [...data.forecast.y, ...data.forecast.y.toReversed()], mode: "lines",
        line: { width: 0 }, fill: "toself", fillcolor: clear(wine, 0.12), hoverinfo: "skip", name: "fan",
      });
      made.push({
        x: instants(data.forecast.expected), y: data.forecast.y, mode: "lines", name: "forecast",
        line: { width: 1.6, color: wine, dash: "6px,4px" }, hovertemplate: `expected %{y:.${digits}f}<extra></extra>`,
      });
    }
    made.push({
      x: at, y: data.estimate.y, mode: "lines", line: { width: 2.2, color: wine }, name: "gravity",
      hovertemplate: `gravity %{y:.${digits}f}${data.units.gravity}<extra></extra>`,
    });
    made.push({
      x: instants(data.checks.at), y: data.checks.y, mode: "markers", name: "checks",
      cliponaxis: false, marker: { size: 11, symbol: "diamond-open", color: ink, line: { width: 2 } },
      hovertemplate: `hydrometer %{y:.${digits}f}${data.units.gravity}<extra></extra>`,
    });
    const lane = data.entries.filter((e) => e.kind !== "measure");
    made.push({
      x: lane.map((e) => e.at), y: lane.map(() => 0), yaxis: "y3", mode: "markers", name: "book", cliponaxis: false,
      marker: { size: 11, color: ink, symbol: lane.map((e) => SYMBOLS[e.kind] ?? "circle-open") },
      text: lane.map((e) => wrapped(e.words)), hovertemplate: "%{text}<extra></extra>",
    });
    const probes = data.sensors.filter((one) => one.celsius.at.length);
    for (const one of probes) {
      made.push({
        x: instants(one.celsius.at), y: one.celsius.y, yaxis: "y2", mode: "lines", name: one.sensor, connectgaps: false,
        line: { width: probes.length > 1 ? 1 : 1.7, color: probes.length > 1 ? clear(water, 0.65) : water },
        hovertemplate: `${escaped(one.sensor)} %{y:.1f} ${data.units.temperature}<extra></extra>`,
      });
    }
    if (!probes.length && data.celsius.at.length) {
      made.push({
        x: instants(data.celsius.at), y: data.celsius.y, yaxis: "y2", mode: "lines", name: "temperature",
        line: { width: 1.7, color: water }, hovertemplate: `%{y:.1f} ${data.units.temperature}<extra></extra>`,
      });
    }
    return made;
  };

  // The library reads a few tags in texts: nothing people typed may become one.
  const escaped = (text) => text.replace(/&/g, "&amp;").replace(/</g, "&lt;").replace(/>/g, "&gt;").replace(/%\{/g, "% {");
  const wrapped = (text) => {
    const lines = [""];
    for (const word of text.slice(0, 240).split(" ")) {
      if ((lines.at(-1) + word).length > 38 && lines.at(-1)) lines.push("");
      lines[lines.length - 1] += `${word.slice(0, 38)} `;
    }
    return lines.map((line) => escaped(line.trim())).join("<br>");
  };

  const bounds = () => {
    const [from, until] = shown;
    const gravities = [];
    const take = (at, values) => at.forEach((ms, i) => {
      if (ms !== null && ms >= from && ms <= until && values[i] !== null) gravities.push(values[i]);
    });
    take(instants(data.estimate.at), data.estimate.high);
    take(instants(data.estimate.at), data.estimate.low);
    take(instants(data.checks.at), data.checks.y);
    if (data.forecast) take(instants(data.forecast.expected), data.forecast.y);
    if (!gravities.length) return null;
    let low = Math.min(...gravities);
    let high = Math.max(...gravities);
    const least = data.units.gravity ? 1.5 : 0.006;
    const grow = Math.max(0, least - (high - low)) / 2 + 0.06 * Math.max(high - low, least);
    low -= grow;
    high += grow;
    return [low, high];
  };

  const layout = () => {
    const [from, until] = shown;
    const ink = colour("--ink");
    const faint = colour("--faint");
    const rule = colour("--rule");
    const hair = colour("--hair");
    const shade = colour("--shade");
    const size = box.clientWidth < 520 ? 12 : 13.5;
    const gravity = bounds();
    const shapes = [];
    const annotations = [];
    data.stages.forEach((one, i) => {
      const x0 = Math.max(one.from, from);
      const x1 = i === data.stages.length - 1 && until > one.until ? until : Math.min(one.until, until);
      if (x1 <= x0) return;
      if (i % 2) shapes.push({ type: "rect", xref: "x", yref: "paper", x0, x1, y0: 0, y1: 1, fillcolor: shade, opacity: 0.55, line: { width: 0 }, layer: "below" });
      if ((x1 - x0) / (until - from) > 0.14) {
        annotations.push({ x: (x0 + x1) / 2, xref: "x", y: 1, yref: "paper", yanchor: "bottom", text: one.stage, showarrow: false, font: { color: faint, size, style: "italic" } });
      }
    });
    for (const one of data.bands) {
      shapes.push({ type: "rect", xref: "x", yref: "y2", x0: one.from, x1: one.until, y0: one.low, y1: one.high, fillcolor: colour("--band"), line: { width: 0 }, layer: "below" });
    }
    for (const e of data.entries) {
      if (e.kind === "rack" || e.kind === "bottle" || e.kind === "add") {
        shapes.push({ type: "line", xref: "x", yref: "paper", x0: e.at, x1: e.at, y0: 0, y1: 1, line: { width: 1, color: faint, dash: e.kind === "add" ? "dot" : "solid" } });
      }
    }
    const showsRacking = gravity && data.racking > gravity[0] && data.racking < gravity[1];
    if (showsRacking) {
      shapes.push({ type: "line", xref: "paper", yref: "y", x0: 0, x1: 1, y0: data.racking, y1: data.racking, line: { width: 1, color: faint, dash: "dot" } });
      annotations.push({ x: 0, xref: "paper", xanchor: "left", y: data.racking, yref: "y", yanchor: "bottom", text: `rack at ${data.racking.toFixed(data.units.gravity_digits)}`, showarrow: false, font: { color: faint, size: size - 1 } });
    }
    const axis = { gridcolor: hair, linecolor: rule, zeroline: false, tickfont: { color: faint, size }, fixedrange: true };
    return {
      paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)",
      font: { family: getComputedStyle(document.body).fontFamily, color: ink, size },
      margin: { l: data.units.gravity ? 40 : 50, r: 8, t: 24, b: 40 }, showlegend: false, shapes, annotations,
      hovermode: "x unified", hoverlabel: { bgcolor: colour("--leaf"), bordercolor: rule, font: { color: ink, size }, align: "left" },
      dragmode: isCoarse ? false : "zoom",
      xaxis: { ...axis, type: "date", range: [from - 0.012 * (until - from), until + 0.012 * (until - from)], fixedrange: isCoarse, anchor: "y2", hoverformat: "%a %-d %b %Y, %H:%M", tickformatstops: [{ dtickrange: [null, 60000], value: "%H:%M:%S" }, { dtickrange: [60000, 43200000], value: "%H:%M\n%-d %b" }, { dtickrange: [43200000, "M1"], value: "%-d %b\n%Y" }, { dtickrange: ["M1", null], value: "%b\n%Y" }], showspikes: true, spikemode: "across", spikethickness: 1, spikedash: "dot", spikecolor: faint, tickangle: 0, nticks: box.clientWidth < 520 ? 5 : 9 },
      yaxis: { ...axis, domain: [0.4, 1], range: gravity ?? undefined, tickformat: `.${data.units.gravity_digits}f`, nticks: 7 },
      yaxis3: { ...axis, domain: [0.31, 0.38], range: [-1, 1], showgrid: false, tickvals: [0], ticktext: ["book"] },
      yaxis2: { ...axis, domain: [0, 0.28], ticksuffix: "°", nticks: 4 },
    };
  };

  const draw = () => {
    const config = { displayModeBar: false, responsive: true, scrollZoom: false, doubleClick: false, showTips: false };
    if (!drawn) {
      box.replaceChildren();
      box.removeAttribute("aria-busy");
    }
    Plotly.react(box, traces(), layout(), config);
    if (!drawn) {
      drawn = true;
      box.on("plotly_relayout", (change) => {
        if (change["xaxis.range[0]"] === undefined) return;
        goTo([Date.parse(`${change["xaxis.range[0]"].replace(" ", "T")}Z`), Date.parse(`${change["xaxis.range[1]"].replace(" ", "T")}Z`)]);
      });
      box.on("plotly_doubleclick", () => fetchWindow(null));
    }
    mark();
  };

  const goTo = ([from, until]) => {
    const [begin, end] = whole();
    const span = Math.min(Math.max(until - from, SHORTEST), (end - begin) * 2 + DAY);
    const middle = Math.min(Math.max((from + until) / 2, begin - span / 2), end + 30 * DAY);
    return fetchWindow([middle - span / 2, middle + span / 2]);
  };

  const mark = () => {
    const span = shown[1] - shown[0];
    for (const button of document.querySelectorAll("[data-days]")) {
      const days = Number(button.dataset.days);
      const is = days ? Math.abs(span - days * DAY) < 60000 : Math.abs(shown[0] - data.from) < 60000 && span > (whole()[1] - whole()[0]) * 0.99;
      button.setAttribute("aria-pressed", String(is));
    }
    const said = document.getElementById("chart-window");
    const words = (ms) => new Date(ms).toLocaleString("en-GB", { timeZone: "UTC", day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" });
    if (said) said.textContent = `${words(shown[0])} to ${words(shown[1])}`;
  };

  document.getElementById("chart-buttons")?.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (!button || !shown) return;
    const [from, until] = shown;
    const span = until - from;
    const end = whole()[1];
    const { days, move } = button.dataset;
    if (days !== undefined) Number(days) ? goTo([end - days * DAY, end]) : fetchWindow(null);
    else if (move === "closer") goTo([from + span / 4, until - span / 4]);
    else if (move === "further") goTo([from - span / 2, until + span / 2]);
    else if (move === "earlier") goTo([from - span / 2, until - span / 2]);
    else if (move === "later") goTo([from + span / 2, until + span / 2]);
  });

  document.addEventListener("mustwatch:changed", () => {
    // New readings are drawn where the present is in the picture; somebody who looks at the past is left in peace.
    if (!drawn || document.hidden || shown[1] < data.until - DAY) return;
    clearTimeout(box.dataset.timer);
    box.dataset.timer = setTimeout(() => fetchWindow(Math.abs(shown[0] - data.from) < 60000 ? null : shown), 1500);
  });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => drawn && draw());

  const { openFrom, openUntil } = box.dataset;
  fetchWindow(openFrom && openUntil ? [Number(openFrom), Number(openUntil)] : null);
})();
