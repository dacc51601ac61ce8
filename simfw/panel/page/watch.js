// A finished run on a page of its own: nothing is asked of anybody, all is in the page.

import { Chart, cut, handled, zoomed } from "./chart.js";
import { Face } from "./face.js";
import { clock, made, table } from "./words.js";

const at = (id) => document.getElementById(id);
const run = JSON.parse(at("run-data").textContent);
const whole = run.course;
const chart = new Chart(at("chart"));
const face = new Face(at("lights"), run.gadget);
const view = { from: whole.start_ns, to: whole.end_ns, here: whole.start_ns };

function draw() {
  chart.draw(cut(whole, view.from, view.to));
  chart.cursor(view.here);
}

/** Stand at a time (ns): the line, what is said, and the lights. */
function stand(ns) {
  view.here = Math.min(Math.max(ns, whole.start_ns), whole.end_ns - 1);
  chart.cursor(view.here);
  at("scrub").value = (1000 * (view.here - whole.start_ns)) / (whole.end_ns - whole.start_ns);
  at("scrubbed").textContent = clock(view.here);
  at("said").textContent = chart.said(view.here, whole);
  const column = Math.min(Math.floor((view.here - whole.start_ns) / whole.step_ns), whole.current.length - 1);
  const lights = Object.entries(whole.lights).map(([name, levels]) => (
    { name, level: levels[column], least: levels[column], most: levels[column], brightness: null, current_a: null }));
  const regions = Object.entries(whole.states).map(([name, stays]) => (
    { name, state: stays.find((one) => one.from <= view.here && view.here < one.to)?.state ?? "0" }));
  face.show({ lights, regions }, performance.now(), 0, false);
}

function zoom(by, move) {
  [view.from, view.to] = zoomed(view.from, view.to, whole.start_ns, whole.end_ns, view.here, by, move);
  draw();
}

at("all").onclick = () => { [view.from, view.to] = [whole.start_ns, whole.end_ns]; draw(); };
at("scrub").oninput = () => stand(whole.start_ns + (at("scrub").value / 1000) * (whole.end_ns - whole.start_ns));
handled(chart, zoom, stand, () => {});
addEventListener("resize", draw);
const rows = run.events.map((event) => [clock(event.time_ns), event.name]);
at("events").append(rows.length ? table(["at", "event"], rows) : made("p", "", "No event."));
if (run.more_events) at("events").append(made("p", "", `and ${run.more_events} more`));
draw();
stand(whole.start_ns);
