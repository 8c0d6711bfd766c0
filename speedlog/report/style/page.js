/* Draws the charts of the passes as they are scrolled to, in the unit chosen. Verdicts, numbers and the day's
   small charts stand in the HTML without this. */
const charts = (function () {
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
  // A4 less its margins, in CSS pixels: [width, share of the height] of a chart on paper
  const paper = {line: [424, 0.47], zoom: [268, 0.47], alone: [700, 0.55], rest: [700, 0.42]};
  const holders = [...document.querySelectorAll(".plot")];
  const drawn = new Map(); // charts drawn so far: the stretch looked at, and whether it is their own
  let printing = false;

  // ---- the library: in this page as text, or in a file beside it. From a file of its own, if only one in memory, the
  // browser reads it in beside its other work; only for printing, which can't wait, the text is run on the spot ----
  const kept = document.getElementById("charting");
  let missing = false;
  let asked = false;
  let printed = null; // the library, where printing had to have it at once

  function ready() {
    if (window.Plotly) return true;
    fetchLibrary();
    return false;
  }

  function readyNow() {
    if (ready() || kept.dataset.file) return Boolean(window.Plotly);
    const script = document.createElement("script");
    script.textContent = kept.textContent;
    document.head.append(script);
    printed = window.Plotly;
    return true;
  }

  function fetchLibrary() {
    if (asked) return;
    asked = true;
    const script = document.createElement("script");
    script.addEventListener("load", () => {
      if (printed) window.Plotly = printed; // the charts are that one's
      drawNext();
    });
    script.addEventListener("error", () => {
      if (readyNow()) { // a browser that runs nothing from memory
        drawNext();
        return;
      }
      missing = true;
      waiting.length = 0;
      for (const holder of holders) {
        if (holder.firstElementChild) continue; // it has a drawing, if a still one
        holder.textContent = kept.dataset.missing;
        holder.style.height = "auto";
      }
    });
    script.src = kept.dataset.file || URL.createObjectURL(new Blob([kept.textContent], {type: "text/javascript"}));
    document.head.append(script);
  }

  // ---- one figure ----

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
    return value.replace(/\{unit\}/g, speeds.unit()).replace(/\{y\}/g, "%{y:." + speeds.digits() + "f}")
      .replace(/\{mps:(-?[\d.]+)\}/g, (all, mps) => speeds.number(Number(mps)) + "\u00a0" + speeds.unit());
  }

  function stored(id) {
    return JSON.parse(document.getElementById(id + "-data").textContent);
  }

  function inUnit(figure) {
    const size = speeds.size();
    const scaled = (list) => list.map((item) => (item === null ? null : item / size));
    for (const trace of figure.data) if (!trace.yaxis || trace.yaxis === "y") trace.y = scaled(trace.y);
    for (const shape of figure.layout.shapes) if (shape.yref === "y") [shape.y0, shape.y1] = scaled([shape.y0, shape.y1]);
    for (const note of figure.layout.annotations) if (note.yref === "y") note.y /= size;
    figure.layout.yaxis.range = scaled(figure.layout.yaxis.range);
  }

  function figureOf(id, kind, beside) {
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
      onPaper(figure.layout, kind, beside, figure.lanes_px || 0);
      for (const trace of figure.data) if (trace.mode === "markers") trace.marker.size *= 0.7;
    }
    return figure;
  }

  function onPaper(layout, kind, beside, lanes) {
    const [width, share] = paper[kind];
    layout.width = (width - 14 * (beside - 1)) / beside; // of the further charts so many stand side by side
    // three beside one another belong to a pass with a controller's log, which has a second page: there is room
    layout.height = Math.round((layout.height - lanes) * (beside > 2 ? 0.72 : share));
    if (lanes) addLanes(layout, lanes, layout.height - 34 - layout.margin.t + 6);
    Object.assign(layout.margin, {l: 42, r: 6, b: 34, t: layout.margin.t - 6});
    layout.font.size = 9.5;
    for (const note of layout.annotations) note.font.size = 9.5;
  }

  // What stands under the speeds has words of its own, so it shrinks less than they do: its share of the chart grows.
  function addLanes(layout, lanes, speeds) {
    const floor = layout.yaxis.domain[0];
    const room = Math.round(lanes * 0.62); // rows of 18 pixels hold words of 9.5
    const now = room / (room + speeds);
    const moved = (y) => (y <= floor ? y * now / floor : now + (y - floor) * (1 - now) / (1 - floor));
    layout.height += room;
    for (const [name, axis] of Object.entries(layout)) if (/^yaxis/.test(name)) axis.domain = axis.domain.map(moved);
    for (const note of layout.annotations) if (note.yref === "paper") note.y = moved(note.y);
    for (const shape of layout.shapes) if (shape.yref === "paper") [shape.y0, shape.y1] = [shape.y0, shape.y1].map(moved);
  }

  function kindOf(holder) {
    const figure = holder.parentElement;
    if (figure.classList.contains("rest")) return "rest";
    if (figure.parentElement.childElementCount === 1) return "alone";
    return figure.classList.contains("zoom") ? "zoom" : "line";
  }

  function besides(holder) {
    const row = holder.closest(".halves");
    return row ? row.querySelectorAll(".plot").length : 1;
  }

  function draw(holder) {
    const id = holder.dataset.chart;
    const figure = figureOf(id, kindOf(holder), besides(holder));
    const now = drawn.get(id);
    if (now && now.range && !printing) figure.layout.xaxis.range = now.range;
    holder.style.height = figure.layout.height + "px";
    const config = {displayModeBar: false, responsive: !printing, doubleClick: "reset", showTips: false};
    if (!now) holder.replaceChildren(); // what stood there until now
    window.Plotly.react(holder, figure.data, figure.layout, config);
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

  // ---- when to draw ----

  const waiting = []; // one chart at a time, so that the page answers in between
  function drawNext() {
    if (missing || !waiting.length || !ready()) return;
    const holder = waiting.shift();
    if (waiting.length) setTimeout(drawNext);
    if (!drawn.has(holder.dataset.chart)) draw(holder);
  }

  // On a phone the further charts of a pass wait to be opened: the next pass is not so far away then.
  if (window.matchMedia("(max-width: 40rem)").matches) {
    for (const item of document.querySelectorAll("details.more")) item.open = false;
  }
  const watch = new IntersectionObserver((entries) => {
    for (const entry of entries) {
      if (!entry.isIntersecting) continue;
      watch.unobserve(entry.target);
      waiting.push(entry.target);
    }
    if (waiting.length) setTimeout(drawNext);
  }, {rootMargin: "300px"});
  holders.forEach((holder) => watch.observe(holder));
  // the library is read in at once, so that the first chart scrolled to is there; not on a phone, which would be
  // busy with it for seconds
  const patient = kept.dataset.file || window.matchMedia("(pointer: fine)").matches;
  if (holders.length && patient) setTimeout(ready);

  // On paper: every chart, in the light colours, at the width it has there; units.js opens every detail.
  window.addEventListener("beforeprint", () => {
    if (!readyNow()) return;
    printing = true;
    holders.forEach(draw);
  });
  window.addEventListener("afterprint", () => {
    if (!printing) return;
    printing = false;
    redraw();
  });

  speeds.onChange(redraw);
  dark.addEventListener("change", redraw);
  return {
    ask(holder) { // draws a chart that is wanted now; false as long as it is not there
      if (!drawn.has(holder.dataset.chart) && !missing && ready()) draw(holder);
      return drawn.has(holder.dataset.chart);
    },
  };
})();
