"use strict";
// The read-out under the pointer, the same place in profile and vessel; everything it says is also in the tables.
for (const figure of document.querySelectorAll("figure.profile")) {
  const data = JSON.parse(figure.querySelector(".data").textContent);
  const svg = figure.querySelector("svg");
  const cursor = figure.querySelector(".cursor");
  const readout = figure.querySelector(".readout");
  const rest = readout.textContent;
  const vessel = document.querySelector(`figure.vessel[data-run="${figure.dataset.run}"]`);
  const here = vessel && vessel.querySelector(".here");
  let held = -1;

  const area = (name, value) => (value === null ? "" : `, ${name} ${value.toFixed(2)} mm²`);
  const show = (i) => {
    cursor.setAttribute("visibility", i < 0 ? "hidden" : "visible");
    const place = i < 0 ? null : data.vessel[i];
    if (here) here.setAttribute("visibility", place ? "visible" : "hidden");
    if (i < 0) { readout.textContent = rest; return; }
    cursor.setAttribute("x1", data.x[i]);
    cursor.setAttribute("x2", data.x[i]);
    if (here && place) { here.setAttribute("cx", place[0]); here.setAttribute("cy", place[1]); }
    const burden = data.burden[i] === null ? "" : `, plaque burden ${data.burden[i]} %`;
    const where = data.unit ? `${data.at[i].toFixed(2)} ${data.unit}, ` : "";
    readout.textContent = `${where}frame ${data.frame[i]}` + area("lumen", data.lumen[i]) +
      area("EEM", data.eem[i]) + burden + area("stent", data.stent[i]);
  };
  const nearest = (away, reach) => {
    let found = -1;
    let least = reach;
    for (let i = 0; i < data.x.length; i += 1) {
      const distance = away(i);
      if (distance < least) { least = distance; found = i; }
    }
    return found;
  };
  const follow = (drawing, find) => {
    const at = (event) => {
      const box = drawing.getBoundingClientRect();
      const view = drawing.viewBox.baseVal;
      const scale = Math.max(view.width / box.width, view.height / box.height); // the drawing keeps its proportions
      const x = (event.clientX - box.left - box.width / 2) * scale + view.width / 2;
      const y = (event.clientY - box.top - box.height / 2) * scale + view.height / 2;
      return find(x, y);
    };
    drawing.addEventListener("pointermove", (event) => {
      const i = at(event);
      if (i >= 0 && held < 0) show(i);
    });
    drawing.addEventListener("click", (event) => {
      held = held < 0 ? at(event) : -1;
      show(held < 0 ? at(event) : held);
    });
    drawing.addEventListener("pointerleave", () => show(held));
  };
  follow(svg, (x) => nearest((i) => (data.x[i] === null ? Infinity : Math.abs(data.x[i] - x)), 12));
  if (vessel) {
    follow(vessel.querySelector("svg"), (x, y) =>
      nearest((i) => (data.vessel[i] ? Math.hypot(data.vessel[i][0] - x, data.vessel[i][1] - y) : Infinity), 40));
  }
}
