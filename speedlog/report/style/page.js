"use strict";
/* Draws the charts as they are scrolled to, and rewrites the speeds in the unit chosen. Every speed
   in the page carries metres per second; verdicts and numbers stand in the HTML without this. */
(function () {
  const units = JSON.parse(document.getElementById("units").textContent); // symbol: [m/s in one, digits]
  const dark = window.matchMedia("(prefers-color-scheme: dark)");
  const themes = {
    light: {ink: "#101418", soft: "#454d54", paper: "#ffffff", grid: "#dde2e5", band: "rgba(16,20,24,.22)",
      outline: "#101418", trap: "#b84700", trapband: "#f3e9e2", veil: "rgba(255,255,255,.8)"},
    dark: {ink: "#f4f6f7", soft: "#bcc5cb", paper: "#0e1215", grid: "#2b3339", band: "rgba(244,246,247,.28)",
      outline: "#0e1215", trap: "#ff8a4c", trapband: "#2b211b", veil: "rgba(14,18,21,.8)"},
  };
  const palette = {vermillion: "#d55e00", orange: "#e69f00", blue: "#0072b2", purple: "#cc79a7", sky: "#56b4e9",
    green: "#009e73", yellow: "#f0e442", logger1: "#009e73", logger2: "#e69f00", logger3: "#cc79a7",
    logger4: "#56b4e9", logger5: "#f0e442"};
  const printed = {width: 690, shrink: 0.8}; // A4 less the margins, in CSS pixels
  const holders = document.querySelectorAll(".plot");
  const drawn = new Map(); // charts drawn so far: the stretch looked at, and whether it is their own
  let unit = document.querySelector('input[name="unit"]:checked').value;
  let printing = false;

  function number(mps, signed) {
    const [size, digits] = units[unit];
    const text = Math.abs(mps / size).toFixed(digits);
    const zero = Number(text) === 0;
    return (zero ? "" : mps < 0 ? "\u2212" : signed ? "+" : "") + text;
  }

  function showNumbers() {
    for (const item of document.querySelectorAll("[data-mps]")) {
      const kept = item.dataset.givenUnit === unit ? item.dataset.given : null;
      item.textContent = kept || number(Number(item.dataset.mps), "signed" in item.dataset);
    }
    for (const item of document.querySelectorAll("[data-unit]")) item.textContent = unit;
  }

  // ---- charts ----

  function charting() {
    if (!window.Plotly) {
      const script = document.createElement("script");
      script.textContent = document.getElementById("charting").textContent;
      document.head.append(script);
    }
    return window.Plotly;
  }

  function colours() {
    const name = dark.matches && !printing ? "dark" : "light";
    return Object.assign({logger0: name === "dark" ? "#56b4e9" : "#0072b2"}, palette, themes[name]);
  }

  // Puts colours and words of the moment into a figure: "@ink", "{unit}", "{y}", "{mps:83.8}".
  function finish(value, key, look) {
    if (Array.isArray(value)) return typeof value[0] === "number" ? value.slice() : value.map((item) => finish(item, key, look));
    if (value && typeof value === "object") {
      return Object.fromEntries(Object.entries(value).map(([name, item]) => [name, finish(item, name, look)]));
    }
    if (typeof value !== "string") return value;
    if (/color$/.test(key) && value[0] === "@") return look[value.slice(1)];
    if (key !== "text" && key !== "hovertemplate") return value;
    return value.replace(/\{unit\}/g, unit).replace(/\{y\}/g, "%{y:." + units[unit][1] + "f}")
      .replace(/\{mps:(-?[\d.]+)\}/g, (all, mps) => number(Number(mps)) + "\u00a0" + unit);
  }

  function stored(id) {
    return JSON.parse(document.getElementById(id + "-data").textContent);
  }

  function inUnit(figure) {
    const size = units[unit][0];
    const scaled = (list) => list.map((item) => (item === null ? null : item / size));
    for (const trace of figure.data) if (!trace.yaxis || trace.yaxis === "y") trace.y = scaled(trace.y);
    for (const shape of figure.layout.shapes) if (shape.yref === "y") [shape.y0, shape.y1] = scaled([shape.y0, shape.y1]);
    for (const note of figure.layout.annotations) if (note.yref === "y") note.y /= size;
    figure.layout.yaxis.range = scaled(figure.layout.yaxis.range);
  }

  function figureOf(id) {
    const raw = stored(id);
    if (raw.borrow) {
      raw.data = stored(raw.borrow).data.slice(0, raw.curves);
      for (const trace of raw.data) if (trace.marker) trace.marker.size += 3;
    }
    const figure = finish(raw, "", colours());
    if (figure.speed) inUnit(figure);
    figure.layout.dragmode = window.matchMedia("(pointer: coarse)").matches ? false : "zoom";
    figure.layout.font.family = getComputedStyle(document.body).fontFamily;
    if (printing) {
      figure.layout.width = printed.width;
      figure.layout.height = Math.round(figure.layout.height * printed.shrink);
      figure.layout.font.size -= 2;
      for (const note of figure.layout.annotations) note.font.size -= 2;
    }
    return figure;
  }

  function draw(holder) {
    const id = holder.dataset.chart;
    const figure = figureOf(id);
    const now = drawn.get(id);
    if (now && now.range && !printing) figure.layout.xaxis.range = now.range;
    holder.style.height = figure.layout.height + "px";
    const config = {displayModeBar: false, responsive: !printing, doubleClick: "reset", showTips: false};
    charting().react(holder, figure.data, figure.layout, config);
    if (now) return;
    drawn.set(id, {range: null, own: Boolean(figure.own_x)});
    if (!figure.own_x) holder.on("plotly_relayout", (change) => follow(holder, change));
  }

  // The charts of a pass share one distance axis: looking closer in one looks closer in all. A chart
  // that already shows the stretch is left alone, else the charts would answer each other for ever.
  function follow(source, change) {
    const touched = Object.keys(change).some((key) => key.startsWith("xaxis."));
    if (!touched || printing) return;
    const range = source.layout.xaxis.range.map(Number);
    for (const holder of holders) {
      const state = drawn.get(holder.dataset.chart);
      if (holder.dataset.group !== source.dataset.group || !state || state.own) continue;
      state.range = range;
      const shown = holder.layout.xaxis.range;
      const same = Math.abs(shown[0] - range[0]) + Math.abs(shown[1] - range[1]) < 0.01;
      if (!same) window.Plotly.relayout(holder, {"xaxis.range": range.slice()});
    }
  }

  function redraw() {
    for (const holder of holders) if (drawn.has(holder.dataset.chart)) draw(holder);
  }

  const waiting = []; // one chart at a time, so that the page answers in between
  function drawNext() {
    const holder = waiting.shift();
    if (!holder) return;
    if (waiting.length) setTimeout(drawNext);
    if (!drawn.has(holder.dataset.chart)) draw(holder);
  }
  if ("IntersectionObserver" in window) {
    const watch = new IntersectionObserver((entries) => {
      for (const entry of entries) {
        if (!entry.isIntersecting) continue;
        watch.unobserve(entry.target);
        waiting.push(entry.target);
      }
      if (waiting.length) setTimeout(drawNext);
    }, {rootMargin: "300px"});
    holders.forEach((holder) => watch.observe(holder));
  } else holders.forEach(draw);

  // On paper: every chart, in the light colours, at the width of the page; every detail opened.
  let closed = [];
  window.addEventListener("beforeprint", () => {
    printing = true;
    closed = [...document.querySelectorAll("details:not([open])")];
    for (const item of closed) item.open = true;
    holders.forEach(draw);
  });
  window.addEventListener("afterprint", () => {
    printing = false;
    for (const item of closed) item.open = false;
    redraw();
  });

  const choice = document.querySelector(".units");
  choice.hidden = false;
  choice.addEventListener("change", (event) => {
    unit = event.target.value;
    showNumbers();
    redraw();
  });
  dark.addEventListener("change", redraw);
  if (unit) showNumbers(); // a reloaded page may remember another choice
})();
