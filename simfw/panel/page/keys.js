// Keys and other inputs: what fingers do becomes deeds, with the time stamps of the browser.

import { made, span } from "./words.js";

const CM = 100;

/**
 * The keys and inputs of a gadget. `tell(kind, name, level, stamp, pin, lasting)` is called for each
 * deed (with `lasting`, in ms, the input goes back to rest by itself after it), and `reach(stamp)` before a finger comes or goes: until then time went as fast as it did.
 */
export class Keys {
  constructor(gadget, buttons, inputs, tell, reach) {
    this.tell = tell;
    this.reach = reach;
    this.ends = new AbortController();
    this.keys = new Map(); // by kind and name
    this.settings = new Map();
    this.letters = new Map();
    buttons.replaceChildren();
    inputs.replaceChildren();
    for (const input of gadget.inputs) {
      if (input.kind === "contact") this.key(buttons, input, input.marks, () => 1);
    }
    for (const input of gadget.inputs) {
      if (input.kind === "hand") this.hand(buttons, inputs, input);
      else if (input.kind === "toggle") this.switched(inputs, input, input.name, ["off", "on"]);
      else if (input.kind === "usb") this.switched(inputs, input, "USB", ["out", "plugged in"]);
      else if (input.kind === "fault") this.switched(inputs, input, "charger", ["well", "faulty"]);
      else if (input.kind === "temperature") this.slider(inputs, input, -20, 60, 1, "°C");
      else if (input.kind === "measure") {
        this.slider(inputs, input, input.least, input.most, "any", input.unit);
      }
    }
    const { signal } = this.ends;
    addEventListener("keydown", (event) => this.letter(event, true), { signal });
    addEventListener("keyup", (event) => this.letter(event, false), { signal });
    addEventListener("blur", () => this.letGo(), { signal });
    document.addEventListener("visibilitychange", () => document.hidden && this.letGo(), { signal });
  }

  /** These keys are not on the page any more. */
  close() {
    this.ends.abort();
  }

  /** Whether a finger holds anything: pinned keys do not count. */
  get held() {
    return [...this.keys.values()].some((key) => key.finger);
  }

  letterFor(name) {
    for (const letter of `${name.toLowerCase()}123456789`) {
      if (/[a-z0-9]/.test(letter) && !this.letters.has(letter)) return letter;
    }
    return "";
  }

  key(list, input, marks, level) {
    const letter = this.letterFor(input.name);
    const label = made("b", "", `${input.name} `);
    if (letter) label.append(made("kbd", "", letter));
    const words = made("small", "");
    const bar = made("i", "");
    const button = made("button", "key", label, words, bar);
    button.type = "button";
    button.setAttribute("aria-pressed", "false");
    const pin = made("button", "pin", "pin");
    pin.type = "button";
    pin.title = `hold ${input.name} down without a finger`;
    pin.setAttribute("aria-label", pin.title);
    pin.setAttribute("aria-pressed", "false");
    const key = { input, marks, level, button, pin, words, bar, finger: false, pinned: false, since: null };
    const place = `${input.kind} ${input.name}`;
    this.keys.set(place, key);
    if (letter) this.letters.set(letter, key);
    button.addEventListener("pointerdown", (event) => {
      if (event.button > 0) return;
      button.setPointerCapture(event.pointerId);
      this.finger(key, true, event.timeStamp);
    });
    for (const kind of ["pointerup", "pointercancel", "lostpointercapture"]) {
      button.addEventListener(kind, (event) => this.finger(key, false, event.timeStamp));
    }
    button.addEventListener("contextmenu", (event) => event.preventDefault());
    button.addEventListener("keydown", (event) => this.pressed(event, key, true));
    button.addEventListener("keyup", (event) => this.pressed(event, key, false));
    button.addEventListener("blur", (event) => this.finger(key, false, event.timeStamp));
    pin.addEventListener("click", (event) => this.pinned(key, !key.pinned, event.timeStamp));
    list.append(made("div", "keyed", button, pin));
    return key;
  }

  hand(buttons, inputs, input) {
    const reach = made("input", "");
    Object.assign(reach, { type: "range", min: 1, max: 60, step: 1, value: 12 });
    const words = made("output", "", "12 cm");
    const id = `distance-${input.name}`;
    reach.id = id;
    const label = made("label", "", `${input.name} at`);
    label.htmlFor = id;
    const key = this.key(buttons, input, [], () => Number(reach.value) / CM);
    reach.addEventListener("input", (event) => {
      words.textContent = `${reach.value} cm`;
      if (key.finger || key.pinned) this.tell("hand", input.name, key.level(), event.timeStamp);
    });
    inputs.append(made("div", "input", label, reach, words));
    const length = made("input", "");
    Object.assign(length, { type: "number", min: 1, max: 60000, value: 300, id: `length-${input.name}` });
    const said = made("label", "", `${input.name} lasts, ms`);
    said.htmlFor = length.id;
    const wave = made("button", "", "Wave");
    wave.type = "button";
    wave.title = `one pass of a hand before ${input.name}, as far away and as long as set here`;
    wave.addEventListener("click", (event) => {
      if (key.finger || key.pinned || !length.checkValidity() || !length.value) return;
      this.reach(event.timeStamp);
      this.tell("hand", input.name, key.level(), event.timeStamp, false, Number(length.value));
    });
    inputs.append(made("div", "input wave", said, length, wave));
  }

  switched(list, input, label, [off, on]) {
    const button = made("button", "", off);
    button.type = "button";
    const words = made("span", "", label);
    words.id = `label-${input.kind}-${input.name}`;
    button.setAttribute("aria-describedby", words.id);
    const one = { button, off, on, level: input.rest };
    this.settings.set(`${input.kind} ${input.name}`, one);
    this.shownAs(one, input.rest);
    button.addEventListener("click", (event) => {
      this.tell(input.kind, input.name, 1 - one.level, event.timeStamp);
      this.shownAs(one, 1 - one.level);
    });
    list.append(made("div", "input", words, button));
  }

  shownAs(one, level) {
    one.level = level;
    one.button.textContent = level ? one.on : one.off;
    one.button.setAttribute("aria-pressed", String(level > 0));
  }

  slider(list, input, least, most, step, unit) {
    const reach = made("input", "");
    Object.assign(reach, { type: "range", min: least, max: most, value: input.rest, id: `set-${input.kind}-${input.name}` });
    reach.step = step === "any" ? (most - least) / 200 : step;
    const label = made("label", "", input.name);
    label.htmlFor = reach.id;
    const words = made("output", "");
    const said = () => { words.textContent = `${Number(Number(reach.value).toPrecision(4))} ${unit}`; };
    reach.value = input.rest;
    said();
    reach.addEventListener("input", (event) => {
      said();
      this.tell(input.kind, input.name, Number(reach.value), event.timeStamp);
    });
    this.settings.set(`${input.kind} ${input.name}`, { reach, said });
    list.append(made("div", "input", label, reach, words));
  }

  pressed(event, key, down) {
    if (event.key !== " " && event.key !== "Enter") return;
    event.preventDefault();
    if (!event.repeat) this.finger(key, down, event.timeStamp);
  }

  letter(event, down) {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const typing = event.target.matches?.("input:not([type=range]), textarea") || event.target.closest?.("dialog");
    const key = this.letters.get(event.key.toLowerCase());
    const off = !document.getElementById("by-letter").checked;
    if (!key || ((typing || off) && down)) return;
    if (!event.repeat) this.finger(key, down, event.timeStamp);
  }

  finger(key, down, stamp) {
    if (key.finger === down) return;
    this.reach(stamp);
    const before = key.finger || key.pinned;
    key.finger = down;
    this.moved(key, before, stamp);
  }

  pinned(key, down, stamp) {
    const before = key.finger || key.pinned;
    key.pinned = down;
    this.moved(key, before, stamp, true);
  }

  moved(key, before, stamp, pin = false) {
    const now = key.finger || key.pinned;
    if (now !== before) {
      const time = this.tell(key.input.kind, key.input.name, now ? key.level() : key.input.rest, stamp, pin);
      key.since = now ? time : null;
    }
    key.button.setAttribute("aria-pressed", String(now));
    key.pin.setAttribute("aria-pressed", String(key.pinned));
  }

  /** Every finger leaves: the window has lost them. */
  letGo() {
    for (const key of this.keys.values()) this.finger(key, false, performance.now());
  }

  /** Show the inputs as the bench has them: what is down without a finger is pinned. */
  follow(view) {
    for (const { kind, name, level } of view.inputs) {
      const key = this.keys.get(`${kind} ${name}`);
      if (key) {
        const down = level !== key.input.rest;
        if (down !== (key.finger || key.pinned)) {
          key.finger = false;
          key.pinned = down;
          key.since = down ? view.time_ns : null;
          key.button.setAttribute("aria-pressed", String(down));
          key.pin.setAttribute("aria-pressed", String(down));
        }
        continue;
      }
      const one = this.settings.get(`${kind} ${name}`);
      if (one?.button) this.shownAs(one, level);
      else if (one) {
        one.reach.value = level;
        one.said();
      }
    }
  }

  /** Say on each key what its press is becoming. */
  show(timeNs) {
    for (const key of this.keys.values()) {
      const down = key.finger || key.pinned;
      const elapsed = down && key.since !== null ? Math.max(0, timeNs - key.since) : 0;
      const lengths = key.marks.filter((mark) => mark.after_ns);
      const next = lengths.find((mark) => mark.after_ns > elapsed);
      const text = down ? this.becoming(elapsed, next, lengths) : this.hint(key);
      if (key.words.textContent !== text) key.words.textContent = text;
      key.bar.style.width = down && next ? `${(100 * elapsed) / next.after_ns}%` : down ? "100%" : "0";
    }
  }

  becoming(elapsed, next, lengths) {
    const seconds = elapsed / 1e9;
    const down = `down ${seconds < 60 ? `${seconds.toFixed(2)} s` : span(seconds)}`;
    if (next) return `${down}, ${next.name} at ${span(next.after_ns / 1e9)}`;
    const last = lengths[lengths.length - 1];
    return last && last.name !== "press" ? `${down}, ${last.name}` : down;
  }

  hint(key) {
    if (key.input.kind === "hand") return "press: hand before it";
    const words = key.marks.filter((mark) => mark.name !== "press").map((mark) => (
      mark.within_ns ? `double within ${span(mark.within_ns / 1e9)}` : `${mark.name} at ${span(mark.after_ns / 1e9)}`));
    return words.join(", ") || "press";
  }
}
