// The face of the gadget: lights with the brightness that their current gives.

import { made, percent, si } from "./words.js";

// The colours of LEDs as shares of linear light (red, green, blue).
const COLOURS = {
  white: [1, 0.95, 0.86], "warm white": [1, 0.78, 0.5], red: [1, 0.03, 0.02], orange: [1, 0.28, 0.01],
  amber: [1, 0.42, 0.01], yellow: [1, 0.75, 0.03], green: [0.08, 0.9, 0.12], blue: [0.05, 0.22, 1],
  violet: [0.4, 0.1, 1], pink: [1, 0.3, 0.45], "infra-red": [0.35, 0.02, 0.05],
};
const DARK = [0.027, 0.024, 0.021]; // an LED that is off, on the dark face
const SECOND = 1000;
const STEP = 0.1; // WCAG 2.3.1: a change of a tenth of the most light is half a flash
const MOST_TURNS = 4; // turns of the light within a second, before it is calmed: two flashes

/** A share of linear light as a value of a display (sRGB, IEC 61966-2-1). */
function shown(linear) {
  const value = Math.min(1, Math.max(0, linear));
  return Math.round(255 * (value <= 0.0031308 ? 12.92 * value : 1.055 * value ** (1 / 2.4) - 0.055));
}

/** The colour in which an LED is drawn at a brightness 0..1. */
export function ledColour(colour, brightness) {
  const light = COLOURS[(colour || "white").toLowerCase()] ?? COLOURS.white;
  const parts = light.map((share, place) => shown(DARK[place] + share * brightness));
  return `rgb(${parts.join(" ")})`;
}

/** Keeps one light from flashing more than three times a second: what would is shown as its mean. */
export class Calm {
  constructor() {
    this.seen = []; // [time in ms, brightness, length in ms]
    this.out = null; // what is shown while it is calmed
    this.last = 0;
    this.blinking = false;
  }

  /** How many times the brightness went the other way by a tenth or more, in these values. */
  static turns(values) {
    let [end, way, count] = [values[0], 0, 0];
    for (const value of values) {
      const moved = value - end;
      if (moved * way > 0) end = value;
      else if (Math.abs(moved) >= STEP) [end, way, count] = [value, Math.sign(moved), count + 1];
    }
    return count;
  }

  /** What to show at `now` (ms) of a mean brightness over the last `lasted` ms; `mean`: always calm. */
  show(now, brightness, lasted, mean) {
    this.seen.push([now, brightness, Math.max(lasted, 0.1)]);
    while (this.seen.length > 1 && this.seen[0][0] < now - SECOND) this.seen.shift();
    const turns = Calm.turns(this.seen.map(([, value]) => value));
    this.blinking = turns > MOST_TURNS || (this.blinking && turns > 1) || (mean && turns > 1);
    const since = now - this.last;
    this.last = now;
    if (!this.blinking && !mean) {
      this.out = null;
      return brightness;
    }
    const whole = this.seen.reduce((sum, [, , length]) => sum + length, 0);
    const average = this.seen.reduce((sum, [, value, length]) => sum + value * length, 0) / whole;
    // The mean over a second still goes up and down with a slow blink: it is followed slowly.
    this.out ??= average;
    this.out += (average - this.out) * (turns > 1 ? Math.min(1, since / SECOND) : 1);
    return this.out;
  }
}

const MOST_MARKS = 24; // positions of a dial that are drawn one by one

/** The lights, loads and dials of a gadget on the page. */
export class Face {
  constructor(list, gadget) {
    this.still = matchMedia("(prefers-reduced-motion: reduce)");
    this.lights = new Map();
    this.dials = new Map();
    list.replaceChildren();
    for (const light of gadget.lights) this.add(list, light, light.segments ? "bars" : "");
    for (const name of gadget.loads) this.add(list, { name, leds: 1, colour: "white" }, "load");
    for (const dial of gadget.dials) this.dial(list, dial);
  }

  /** A dial: a mark for each position, those up to the present one filled. */
  dial(list, { name, values }) {
    const marks = Array.from({ length: Math.min(values.length, MOST_MARKS) }, () => made("span", ""));
    const row = made("div", "dial", ...marks);
    row.setAttribute("aria-hidden", "true");
    const words = made("span", "");
    list.append(made("li", "", row, made("p", "", `${name} `, words)));
    this.dials.set(name, { values, marks, words, at: null });
  }

  /** Show the dials among regions, each at the position that its state begins with. */
  turn(regions) {
    for (const { name, state } of regions) {
      const dial = this.dials.get(name);
      const at = dial ? Number.parseInt(state, 10) : null;
      if (!dial || dial.at === at) continue;
      dial.at = at;
      const last = dial.values.length - 1;
      const filled = last ? (at / last) * (dial.marks.length - 1) : 0;
      dial.marks.forEach((mark, place) => mark.classList.toggle("filled", place <= filled));
      dial.words.textContent = `at ${at} (0 to ${last}), ${dial.values[at]}`;
    }
  }

  /** Whether any light is shown calmer than it is. */
  get calmed() {
    return [...this.lights.values()].some(({ calm }) => calm.blinking);
  }

  add(list, light, kind) {
    const count = Math.min(light.leds, 24);
    const leds = Array.from({ length: count }, () => made("span", "led"));
    const row = made("div", `leds ${kind}`, ...leds);
    row.setAttribute("aria-hidden", "true");
    const words = made("span", "");
    const many = light.leds > count ? ` (${light.leds} LEDs)` : "";
    const by = light.fed_by ? " (by USB)" : "";
    const text = made("p", "", `${light.name}${many}${by} `, words);
    list.append(made("li", "", row, text));
    this.lights.set(light.name, { light, leds, words, calm: new Calm(), since: 0, blinks: -Infinity });
  }

  /** Show a view that covers the last `lasted` ms; `fast`: time goes faster than 1x. */
  show(view, now, lasted, fast) {
    this.turn(view.regions);
    for (const one of view.lights) {
      const known = this.lights.get(one.name);
      if (!known) continue;
      const calm = known.calm;
      const level = one.brightness ?? one.level;
      const value = calm.show(now, level, lasted, fast || this.still.matches);
      if (one.least < one.most && fast) known.blinks = now;
      this.paint(known, value, one);
      known.shown = [value, calm.blinking || (fast && now - known.blinks < SECOND)];
      if (now - known.since < 250 && lasted) continue;
      known.since = now;
      this.sayOne(known, one);
    }
  }

  /** Say how each light is in a view that was shown. */
  say(view) {
    for (const one of view.lights) {
      const known = this.lights.get(one.name);
      if (known?.shown) this.sayOne(known, one);
    }
  }

  sayOne(known, one) {
    known.words.textContent = this.words(known, one, ...known.shown);
  }

  words({ light }, one, value, blinking) {
    if (blinking) return `blinking, ${percent(value, 2)} of its light on average`;
    if (one.most === 0) return "off";
    const level = light.segments ? `${Math.round(one.level * light.leds)} of ${light.leds}`
      : one.level >= 0.9995 ? "on" : percent(one.level, 2);
    return one.current_a === null ? level : `${level}, ${si(one.current_a, "A")}`;
  }

  paint({ light, leds }, value, one) {
    leds.forEach((led, place) => {
      let part = value;
      if (light.segments && one.level > 0) {
        const lit = Math.min(1, Math.max(0, one.level * light.leds - place));
        part = Math.min(1, (value / one.level) * lit);
      }
      led.style.backgroundColor = ledColour(light.colour, part);
    });
  }
}
