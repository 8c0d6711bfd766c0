"use strict";
/* The unit switch: every speed in the page carries metres per second, and stands in the HTML without this. */
const speeds = (function () {
  const units = JSON.parse(document.getElementById("units").textContent); // symbol: [m/s in one, digits]
  const choice = document.querySelector(".units");
  const written = choice.querySelector("input[checked]").value; // the unit that the page is written in
  const told = []; // who wants to know of another choice
  let unit = choice.querySelector("input:checked").value;

  function number(mps, signed) {
    const [size, digits] = units[unit];
    const text = Math.abs(mps / size).toFixed(digits);
    const zero = Number(text) === 0;
    return (zero ? "" : mps < 0 ? "\u2212" : signed ? "+" : "") + text;
  }

  function show() {
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
    show();
    for (const tell of told) tell();
  });
  let closed = []; // on paper every detail is open
  window.addEventListener("beforeprint", () => {
    closed = [...document.querySelectorAll("details:not([open])")];
    for (const item of closed) item.open = true;
  });
  window.addEventListener("afterprint", () => { for (const item of closed) item.open = false; });
  if (unit !== written) show(); // a reloaded page may remember another choice
  return {
    number,
    unit: () => unit,
    size: () => units[unit][0],
    digits: () => units[unit][1],
    onChange: (tell) => told.push(tell),
  };
})();
