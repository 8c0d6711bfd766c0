"use strict";
/* The unit switch, and what a dot of the season's chart is: by pointer, finger or arrow keys. All numbers stand in
   the page without this. */
(function () {
  const units = JSON.parse(document.getElementById("units").textContent); // symbol: [m/s in one, digits]
  const choice = document.querySelector(".units");
  let unit = choice.querySelector("input:checked").value;

  function number(mps, signed) {
    const [size, digits] = units[unit];
    const text = Math.abs(mps / size).toFixed(digits);
    const zero = Number(text) === 0;
    return (zero ? "" : mps < 0 ? "\u2212" : signed ? "+" : "") + text;
  }

  function showUnit() {
    for (const item of document.querySelectorAll("[data-mps]")) {
      const kept = item.dataset.givenUnit === unit ? item.dataset.given : null;
      item.textContent = kept || number(Number(item.dataset.mps), "signed" in item.dataset);
    }
    for (const item of document.querySelectorAll("[data-unit]")) item.textContent = unit;
    for (const item of document.querySelectorAll("[data-for]")) item.classList.toggle("off", item.dataset.for !== unit);
  }
  choice.hidden = false;
  choice.addEventListener("change", (event) => {
    unit = event.target.value;
    showUnit();
    tell();
  });
  showUnit(); // a reloaded page may remember another choice

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
      parts.push(part("span", names[kind]), part("b", number(mps) + reach + "\u00a0" + unit), part("span", ", "));
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
