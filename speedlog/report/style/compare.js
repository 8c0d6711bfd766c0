"use strict";
/* Reads the curves out at a place chosen with the slider, the pointer or a finger. The table has the figures too. */
(function () {
  const figure = document.getElementById("curves");
  if (!figure) return;
  const {distance, passes} = JSON.parse(document.getElementById("spoken").textContent);
  const slider = document.getElementById("place");
  const told = figure.querySelector(".told");
  const lines = figure.querySelectorAll(".here");
  const first = distance[0], span = distance[distance.length - 1] - first;
  let begun = false;

  function part(tag, text) {
    const made = document.createElement(tag);
    made.textContent = text;
    return made;
  }

  function tell() {
    const at = Number(slider.value), unit = "\u00a0" + speeds.unit();
    const parts = [part("b", distance[at].toFixed(0) + " m: ")];
    passes.forEach((item, place) => {
      parts.push(part("span", (place ? "; " : "") + item.name + " "), part("b", speeds.number(item.speed[at]) + unit));
      if (place) {
        const gain = item.speed[at] - passes[0].speed[at];
        const noise = Math.hypot(item.half[at], passes[0].half[at]);
        const sure = Math.abs(gain) > noise ? "" : ", within the noise";
        parts.push(part("span", " (" + speeds.number(gain, true) + " \u00b1 " + speeds.number(noise) + unit + sure + ")"));
      }
      parts.push(part("span", " after " + item.time[at].toFixed(2) + " s"));
    });
    told.replaceChildren(...parts);
    told.hidden = false;
    const x = 100 * (distance[at] - first) / span + "%";
    for (const line of lines) {
      line.setAttribute("x1", x);
      line.setAttribute("x2", x);
      line.setAttribute("visibility", "visible");
    }
    slider.setAttribute("aria-valuetext", told.textContent);
    begun = true;
  }

  slider.parentElement.hidden = false;
  slider.addEventListener("input", tell);
  speeds.onChange(() => { if (begun) tell(); });
  for (const frame of figure.querySelectorAll(".frame")) {
    const area = frame.querySelector(".area");
    const under = (event) => {
      const box = area.getBoundingClientRect();
      const share = Math.max(0, Math.min(1, (event.clientX - box.left) / box.width));
      slider.value = Math.round(share * (distance.length - 1));
      tell();
    };
    frame.addEventListener("pointermove", under);
    frame.addEventListener("pointerdown", under);
  }
})();
