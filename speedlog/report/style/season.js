"use strict";
/* What a dot of the season's chart is: by pointer, finger or arrow keys. All of it stands in the tables too. */
(function () {
  const number = speeds.number;
  // ---- the chart: one pass is looked at, or none ----
  const chart = document.getElementById("season");
  let at = -1;
  let dots = [];

  function part(tag, text) {
    const made = document.createElement(tag);
    made.textContent = text;
    return made;
  }

  function tell() {
    if (!chart || at < 0) return;
    const [id, said, verdict, link, figures] = dots[at];
    const told = chart.querySelector(".told");
    const names = {trap: "trap figure ", gnss: "fastest moment "};
    const parts = [part("b", "No. " + id), part("span", ": " + said + ". ")];
    for (const [kind, mps, half] of figures) {
      const reach = half === null ? "" : " \u00b1 " + number(half);
      parts.push(part("span", names[kind]), part("b", number(mps) + reach + "\u00a0" + speeds.unit()), part("span", ", "));
    }
    parts.push(part("span", verdict + ". "));
    const row = part("a", "Its row");
    row.href = "#p" + id;
    parts.push(row);
    if (link) {
      const report = part("a", "Its report");
      report.href = link;
      parts.push(part("span", " "), report);
    }
    told.replaceChildren(...parts);
    told.hidden = false;
    const here = chart.querySelector(".here");
    here.setAttribute("visibility", "visible");
    const x = 100 * (at + 0.6) / (dots.length + 0.2) + "%";
    here.firstElementChild.setAttribute("x1", x);
    here.firstElementChild.setAttribute("x2", x);
  }

  function look(place) {
    const next = Math.max(0, Math.min(dots.length - 1, place));
    if (next === at) return;
    at = next;
    tell();
  }

  if (chart) {
    speeds.onChange(tell);
    dots = JSON.parse(document.getElementById("dots").textContent);
    const area = chart.querySelector(".area");
    const under = (event) => {
      const box = area.getBoundingClientRect();
      look(Math.round((event.clientX - box.left) / box.width * (dots.length + 0.2) - 0.6));
    };
    chart.querySelector(".frame").addEventListener("pointermove", under);
    chart.querySelector(".frame").addEventListener("pointerdown", under);
    chart.addEventListener("keydown", (event) => {
      if (event.target !== chart) return;
      const steps = {ArrowRight: 1, ArrowLeft: -1, PageDown: 10, PageUp: -10};
      if (event.key in steps) look(at < 0 ? dots.length - 1 : at + steps[event.key]);
      else if (event.key === "Home") look(0);
      else if (event.key === "End") look(dots.length - 1);
      else if (event.key === "Enter" && at >= 0) location.href = dots[at][3] || "#p" + dots[at][0];
      else return;
      event.preventDefault();
    });
  }
})();
