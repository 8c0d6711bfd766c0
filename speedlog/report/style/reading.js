/* Charts by keyboard: on a chart that has the focus, the arrow keys move along the line, and what each curve
   says there is told in words. */
(function () {
  const steps = {ArrowRight: 1, ArrowLeft: -1, PageDown: 10, PageUp: -10};

  for (const figure of document.querySelectorAll("figure.chart")) {
    const holder = figure.querySelector(".plot");
    const told = figure.querySelector(".told");
    let share = null; // of the stretch shown, from its left
    let here = null;

    function look(next) {
      if (!charts.ask(holder)) return;
      share = Math.max(0, Math.min(1, next));
      const [left, right] = holder.layout.xaxis.range.map(Number);
      const at = left + share * (right - left);
      const curvesFirst = [...holder.data].sort((one, other) => (other.mode === "lines") - (one.mode === "lines"));
      const said = curvesFirst.map((trace) => say(trace, at, Math.abs(right - left))).filter(Boolean);
      told.textContent = at.toFixed(0) + " m: " + ([...new Set(said)].join("; ") || "nothing here") + ".";
      told.hidden = false;
      mark();
    }

    function mark() {
      if (!here) {
        here = document.createElement("div");
        here.className = "here";
      }
      holder.append(here);
      const margin = holder.layout.margin;
      here.style.left = margin.l + share * (holder.clientWidth - margin.l - margin.r) + "px";
      here.style.top = margin.t + "px";
      here.style.bottom = margin.b + "px";
    }

    function leave() {
      share = null;
      told.hidden = true;
      if (here) here.remove();
    }

    figure.addEventListener("keydown", (event) => {
      if (event.target !== figure || event.ctrlKey || event.altKey || event.metaKey) return;
      if (event.key in steps) look((share === null ? 0.5 : share) + steps[event.key] * (share === null ? 0 : 0.01));
      else if (event.key === "Home") look(0);
      else if (event.key === "End") look(1);
      else if (event.key === "Escape" && share !== null) leave();
      else return;
      event.preventDefault();
    });
    figure.addEventListener("blur", leave);
    speeds.onChange(() => { if (share !== null) look(share); });
  }

  // What a curve says at a place, in the words of its own label; null where it says nothing.
  function say(trace, at, span) {
    if (!trace.hovertemplate) return null;
    const words = (x, y) => trace.hovertemplate.replace(/<extra><\/extra>/, "").replace(/<br>/g, ", ")
      .replace(/,? at %\{x:\.0f\} m/, "").replace(/%\{y(?::\.(\d)f)?\}/g, (all, digits) => y.toFixed(digits || 0))
      .replace(/&lt;/g, "<").replace(/&gt;/g, ">").replace(/&amp;/g, "&");
    if (trace.type === "bar") {
      return trace.base[0] <= at && at <= trace.base[0] + trace.x[0] ? words(at, 0) : null;
    }
    if (trace.mode === "markers") {
      let best = -1;
      trace.x.forEach((x, k) => { if (best < 0 || Math.abs(x - at) < Math.abs(trace.x[best] - at)) best = k; });
      return best >= 0 && Math.abs(trace.x[best] - at) <= span / 150 ? words(at, trace.y[best]) : null;
    }
    for (let k = 1; k < trace.x.length; k++) {
      const [one, two, from, to] = [trace.x[k - 1], trace.x[k], trace.y[k - 1], trace.y[k]];
      if ((one - at) * (two - at) > 0 || from === null || to === null || one === null || two === null) continue;
      if (trace.line.shape === "hv" || one === two) return words(at, from);
      return words(at, from + (to - from) * (at - one) / (two - one));
    }
    return null;
  }
})();
