// A finished run on a page of its own: nothing is asked of anybody, all is in the page.

import { Chart, cut } from "./chart.js";
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

function zoom(by, move = 0) {
  const total = whole.end_ns - whole.start_ns;
  const width = Math.min(Math.max((view.to - view.from) * by, Math.min(1e7, total)), total);
  const middle = move ? (view.from + view.to) / 2 : view.here;
  const from = middle - width / 2 + move * width;
  view.from = Math.max(whole.start_ns, Math.min(from, whole.end_ns - width));
  view.to = view.from + width;
  draw();
}

at("all").onclick = () => { [view.from, view.to] = [whole.start_ns, whole.end_ns]; draw(); };
at("closer").onclick = () => zoom(0.25);
at("wider").onclick = () => zoom(4);
at("earlier").onclick = () => zoom(1, -0.5);
at("later").onclick = () => zoom(1, 0.5);
at("scrub").oninput = () => stand(whole.start_ns + (at("scrub").value / 1000) * (whole.end_ns - whole.start_ns));
let dragging = false;
const point = (event) => chart.timeAt(event.clientX - at("chart").getBoundingClientRect().left);
at("chart").onpointerdown = (event) => {
  dragging = true;
  at("chart").setPointerCapture(event.pointerId);
  stand(point(event));
};
at("chart").onpointermove = (event) => { if (dragging) stand(point(event)); };
at("chart").onpointerup = () => { dragging = false; };
addEventListener("resize", draw);
const rows = run.events.map((event) => [clock(event.time_ns), event.name]);
at("events").append(rows.length ? table(["at", "event"], rows) : made("p", "", "No event."));
if (run.more_events) at("events").append(made("p", "", `and ${run.more_events} more`));
draw();
stand(whole.start_ns);
