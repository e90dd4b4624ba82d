"use strict";
// The read-out under the pointer; everything it says is also in the tables.
for (const figure of document.querySelectorAll("figure.profile")) {
  const data = JSON.parse(figure.querySelector(".data").textContent);
  const svg = figure.querySelector("svg");
  const cursor = figure.querySelector(".cursor");
  const readout = figure.querySelector(".readout");
  const rest = readout.textContent;
  const area = (name, value) => (value === null ? "" : `, ${name} ${value.toFixed(2)} mm²`);
  svg.addEventListener("pointermove", (event) => {
    const box = svg.getBoundingClientRect();
    const x = ((event.clientX - box.left) / box.width) * svg.viewBox.baseVal.width;
    let nearest = -1;
    let least = 12;
    data.x.forEach((place, i) => {
      const away = place === null ? Infinity : Math.abs(place - x);
      if (away < least) { least = away; nearest = i; }
    });
    if (nearest < 0) return;
    cursor.setAttribute("x1", data.x[nearest]);
    cursor.setAttribute("x2", data.x[nearest]);
    cursor.setAttribute("visibility", "visible");
    const burden = data.burden[nearest] === null ? "" : `, plaque burden ${data.burden[nearest]} %`;
    const where = data.unit ? `${data.at[nearest].toFixed(2)} ${data.unit}, ` : "";
    readout.textContent = `${where}frame ${data.frame[nearest]}` + area("lumen", data.lumen[nearest]) +
      area("EEM", data.eem[nearest]) + burden + area("stent", data.stent[nearest]);
  });
  svg.addEventListener("pointerleave", () => {
    cursor.setAttribute("visibility", "hidden");
    readout.textContent = rest;
  });
}
