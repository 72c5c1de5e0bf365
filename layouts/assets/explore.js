/*
 * Explore a chart: values, ranges and series of a figure, in the place of its picture.
 *
 * Nothing is loaded before a reader asks. Then the chart library and the figure's exploring form are loaded as
 * scripts from the site itself, which works from disk too; the chart is drawn into the picture's own box. The
 * library draws; pointing, keys and ranges are done here, so that they work alike for pointer, touch and keys.
 */

(function () {
  "use strict";

  const library = new URL("charts.js", document.currentScript.src).href;
  const phone = window.matchMedia("(max-width: 43.75rem)"); // as in the style sheet
  const scripts = new Map();
  const pieces = new Map();
  document.documentElement.classList.add("scripted");
  window.whirlbookChart = (piece) => pieces.set(document.currentScript.src, piece);

  function load(src) {
    if (!scripts.has(src)) {
      scripts.set(src, new Promise((done, failed) => {
        const script = document.createElement("script");
        script.src = src;
        script.onload = done;
        script.onerror = () => { scripts.delete(src); failed(new Error(src)); };
        document.head.append(script);
      }));
    }
    return scripts.get(src);
  }

  function make(name, words, parent, attributes) {
    const made = document.createElement(name);
    if (words) made.textContent = words;
    for (const key of Object.keys(attributes || {})) made.setAttribute(key, attributes[key]);
    if (parent) parent.append(made);
    return made;
  }

  /** Rows again from the columns they travel in. */
  function rowsOf(set) {
    const names = Object.keys(set.columns);
    return Array.from({ length: set.rows }, (_, i) => Object.fromEntries(names.map((name) => [name, set.columns[name][i]])));
  }

  const HINT = "Point at the chart, tap it, or use its arrow keys; + and \u2212 change the range, 0 shows the whole.";

  class Explorer {
    constructor(figure, button) {
      this.figure = figure;
      this.button = button;
      this.row = button.parentElement;
      this.hidden = new Set();
      this.restyle = () => this.draw();
    }

    /** From the tap on: bar and reading line take their room at once, so that nothing moves when the chart comes. */
    async open() {
      const spec = this.figure.querySelector('a[href$=".vl.json"]');
      this.button.disabled = true;
      for (const old of this.row.querySelectorAll(".explore-reading")) old.remove();
      this.figure.classList.add("explore-open");
      this.bar = make("div", "", this.row, { class: "explore-bar", role: "group", "aria-label": "Range of the chart" });
      for (const [sign, words, act] of [
        ["+", "Show less, larger", () => this.zoom(0.5)],
        ["\u2212", "Show more, smaller", () => this.zoom(2)],
        ["\u2190", "Move to the left", () => this.move(-0.25)],
        ["\u2192", "Move to the right", () => this.move(0.25)],
        ["Whole", "Show the whole", () => this.whole()],
        ["Picture", "Back to the picture", () => this.close()],
      ]) {
        const made = make("button", sign, this.bar, { type: "button", "aria-label": `${sign.length > 1 ? `${sign}: ` : ""}${words}` });
        made.addEventListener("click", act);
        made.disabled = true;
      }
      this.reading = make("p", "Loading the chart \u2026", this.row, { class: "explore-reading", "aria-live": "polite" });
      this.button.hidden = true;
      try {
        const address = spec.href.replace(/\.json$/, ".js");
        await Promise.all([load(library), load(address)]);
        this.piece = pieces.get(address);
        this.datasets = Object.fromEntries(Object.entries(this.piece.datasets).map(([name, set]) => [name, rowsOf(set)]));
        this.axes = this.piece.axes;
        this.ranges = Object.fromEntries(this.axes.map((axis) => [axis.name, [axis.low, axis.high]]));
        await this.draw();
      } catch (error) {
        this.close();
        make("p", "The chart could not be loaded. Its picture and its numbers are here.", this.row, { class: "explore-reading", role: "status" });
        throw error;
      }
      this.toggles();
      for (const made of this.bar.children) made.disabled = !this.axes.length && made.textContent !== "Picture";
      phone.addEventListener("change", this.restyle);
      this.box.focus({ preventScroll: true });
    }

    /** The picture that is shown at this width, replaced by the chart in a box of the same size. */
    async draw() {
      this.takeDown();
      const pictures = [...this.figure.querySelectorAll(".picture")];
      this.picture = pictures.find((it) => it.offsetHeight > 0) || pictures[0];
      this.still = this.picture.querySelector("svg");
      const size = this.still.getBoundingClientRect();
      const narrow = this.picture.classList.contains("narrow");
      const spec = { ...this.piece.wide, ...(narrow ? this.piece.narrow : {}), datasets: this.datasets };
      const says = this.still.querySelector("title");
      this.box = document.createElement("div");
      this.box.className = "explore-chart";
      this.box.tabIndex = 0;
      this.box.setAttribute("role", "group");
      this.box.setAttribute("aria-label", `Chart to explore. ${HINT} ${says ? says.textContent : ""}`);
      this.box.style.height = `${size.height}px`;
      this.result = await window.whirlbookDraw(this.box, spec, {
        mode: "vega-lite", ast: true, renderer: "svg", actions: false, defaultStyle: false, tooltip: () => {},
      });
      this.view = this.result.view;
      this.svg = this.box.querySelector("svg");
      this.svg.setAttribute("aria-hidden", "true"); // its words are the box's label and the reading line
      this.ring = make("div", "", this.box, { class: "explore-ring", hidden: "" });
      this.span = make("div", "", this.box, { class: "explore-span", hidden: "" });
      this.picture.prepend(this.box);
      this.still.classList.add("explore-still");
      this.listen();
      await this.apply();
      if (!this.now) this.reading.textContent = HINT;
    }

    takeDown() {
      if (!this.box) return;
      this.still.classList.remove("explore-still");
      if (this.result) this.result.finalize();
      this.box.remove();
      this.box = this.result = null;
    }

    close() {
      phone.removeEventListener("change", this.restyle);
      this.takeDown();
      for (const legend of this.figure.querySelectorAll(".legend .explore-toggle")) legend.replaceWith(...legend.childNodes);
      for (const tick of this.figure.querySelectorAll(".legend input")) tick.remove();
      this.figure.classList.remove("explore-open");
      this.bar.remove();
      this.reading.remove();
      this.button.hidden = this.button.disabled = false;
      this.button.focus({ preventScroll: true });
    }

    /* --- series ------------------------------------------------------------------------------- */

    /** The legend's entries become ticks; their marks and labels stay as they are. */
    toggles() {
      const entries = [...this.figure.querySelectorAll(".legend li")];
      if (this.piece.treatments.length !== entries.length) return;
      entries.forEach((entry, i) => {
        const label = make("label", "", null, { class: "explore-toggle" });
        label.append(...entry.childNodes);
        const tick = make("input", "", null, { type: "checkbox" });
        tick.checked = !this.hidden.has(this.piece.treatments[i]);
        tick.addEventListener("change", () => {
          if (tick.checked) this.hidden.delete(this.piece.treatments[i]);
          else this.hidden.add(this.piece.treatments[i]);
          this.apply();
        });
        label.prepend(tick);
        entry.append(label);
      });
    }

    labelOf(treatment) {
      const place = this.piece.treatments.indexOf(treatment);
      const entries = this.figure.querySelectorAll(".legend li");
      return place >= 0 && entries.length === this.piece.treatments.length ? entries[place].textContent.trim() : "";
    }

    /* --- ranges ------------------------------------------------------------------------------- */

    across() { return this.axes.filter((axis) => !axis.along); }

    isWhole(axis) { return this.ranges[axis.name][0] === axis.low && this.ranges[axis.name][1] === axis.high; }

    /** Hand ranges and hidden series to the chart; upright axes follow what is in range. */
    async apply() {
      for (const axis of this.axes.filter((it) => it.along)) this.ranges[axis.name] = this.upright(axis);
      for (const axis of this.axes) {
        this.view.signal(`${axis.name}_low`, this.ranges[axis.name][0]);
        this.view.signal(`${axis.name}_high`, this.ranges[axis.name][1]);
      }
      this.view.signal("hidden", [...this.hidden]);
      this.view.signal("whole", !this.hidden.size && this.across().every((axis) => this.isWhole(axis)));
      const before = this.now && JSON.stringify(this.now.told);
      await this.view.runAsync();
      this.gather();
      const again = before && this.series.flat().find((point) => JSON.stringify(point.told) === before);
      this.mark(again || null, true);
    }

    upright(axis) {
      const along = this.axes.find((it) => it.name === axis.along);
      if (this.isWhole(along)) return [axis.low, axis.high];
      const [from, to] = this.ranges[along.name];
      const seen = [];
      for (const [set, x, y] of axis.series) {
        for (const row of this.datasets[set] || []) {
          const shown = row[x] >= from && row[x] <= to && !this.hidden.has(row.treatment);
          if (shown && Number.isFinite(row[y])) seen.push(row[y]);
        }
      }
      if (!seen.length) return this.ranges[axis.name];
      const low = Math.min(...seen), high = Math.max(...seen);
      const room = high > low ? 0.08 * (high - low) : 0.02 * (axis.high - axis.low);
      return [Math.max(low - room, axis.low), Math.min(high + room, axis.high)];
    }

    setRange(axis, low, high) {
      const whole = axis.high - axis.low;
      const width = Math.min(Math.max(high - low, whole / 200), whole);
      const start = Math.min(Math.max(low, axis.low), axis.high - width);
      this.ranges[axis.name] = width >= whole * 0.999 ? [axis.low, axis.high] : [start, start + width];
    }

    /** Narrow or widen by a factor, about the point that is read, else about the middle. */
    zoom(factor) {
      const share = this.now ? (this.now.x - this.now.left) / this.now.width : 0.5;
      for (const axis of this.across()) {
        const [low, high] = this.ranges[axis.name];
        const about = low + share * (high - low);
        this.setRange(axis, about - share * (high - low) * factor, about + (1 - share) * (high - low) * factor);
      }
      this.apply();
    }

    move(share) {
      for (const axis of this.across()) {
        const [low, high] = this.ranges[axis.name];
        this.setRange(axis, low + share * (high - low), high + share * (high - low));
      }
      this.apply();
    }

    whole() {
      for (const axis of this.axes) this.ranges[axis.name] = [axis.low, axis.high];
      this.apply();
    }

    /* --- readings ----------------------------------------------------------------------------- */

    /** Every point with a reading, in plot coordinates, series by series. */
    gather() {
      const found = new Map(), places = new Map();
      const walk = (mark, x, y, frame, later) => {
        if (mark.marktype === "group") {
          for (const item of mark.items) {
            const inner = { left: x + (item.x || 0), top: y + (item.y || 0), width: item.width || frame.width, height: item.height || frame.height };
            for (const child of item.items || []) walk(child, inner.left, inner.top, inner, later);
          }
          return;
        }
        const own = mark.marktype === "line" ? !later : ["symbol", "rect", "rule"].includes(mark.marktype) && later;
        if (!own) return;
        mark.items.forEach((item) => {
          if (!item.tooltip || item.defined === false) return;
          // the middle of a bar or of an interval
          const px = x + (mark.marktype === "rule" ? (item.x + item.x2) / 2 : item.x + (mark.marktype === "rect" ? item.width / 2 : 0));
          const py = y + item.y + (mark.marktype === "rect" ? item.height / 2 : 0);
          const key = `${Math.round(px)} ${Math.round(py)} ${item.datum.treatment}`;
          const inside = px >= frame.left - 1 && px <= frame.left + frame.width + 1 && py >= frame.top - 1 && py <= frame.top + frame.height + 1;
          if (!inside) return;
          if (later && places.has(key)) { Object.assign(places.get(key).told, item.tooltip); return; }
          const series = `${mark.name || ""} ${x} ${y} ${[item.datum.treatment, item.datum.run, item.datum.down].join(" ")}`;
          if (!found.has(series)) found.set(series, []);
          const point = { x: px, y: py, treatment: item.datum.treatment, told: { ...item.tooltip }, left: frame.left, width: frame.width };
          found.get(series).push(point);
          places.set(key, point);
        });
      };
      const root = this.view.scenegraph().root;
      // lines first, then what stands on no line; what stands on one adds its own reading to that point
      for (const later of [false, true]) walk(root, 0, 0, { left: 0, top: 0, width: this.view.width(), height: this.view.height() }, later);
      this.series = [...found.values()].map((list) => list.sort((a, b) => a.x - b.x));
    }

    /** Matrix from plot coordinates to the screen. */
    matrix() { return this.svg.querySelector("g").getScreenCTM(); }

    /** Show a point and read it out, or take both away. */
    mark(point, byKey) {
      this.now = point;
      this.reading.setAttribute("aria-live", byKey ? "polite" : "off"); // a moving pointer is not read out
      this.ring.hidden = !point;
      if (!point) return;
      const m = this.matrix(), place = this.box.getBoundingClientRect();
      this.ring.style.left = `${m.a * point.x + m.e - place.left}px`;
      this.ring.style.top = `${m.d * point.y + m.f - place.top}px`;
      const told = Object.entries(point.told).map(([name, value]) => `${name}: ${value}`);
      const label = this.labelOf(point.treatment);
      this.reading.textContent = [...(label ? [label] : []), ...told].join("; ");
    }

    nearest(clientX, clientY) {
      const m = this.matrix();
      const x = (clientX - m.e) / m.a, y = (clientY - m.f) / m.d;
      let best = null, least = Infinity;
      for (const list of this.series) {
        for (const point of list) {
          const far = (point.x - x) ** 2 + (point.y - y) ** 2;
          if (far < least) { best = point; least = far; }
        }
      }
      return best;
    }

    /** The next point of its series, or the nearest of the next series. */
    step(along, other) {
      if (!this.series.length) return;
      let place = this.series.findIndex((list) => list.includes(this.now));
      if (place < 0) { this.mark(this.series[0][0], true); return; }
      const list = this.series[place];
      if (along) this.mark(list[Math.min(Math.max(list.indexOf(this.now) + along, 0), list.length - 1)], true);
      else {
        place = (place + other + this.series.length) % this.series.length;
        const x = this.now.x;
        this.mark(this.series[place].reduce((best, point) => (Math.abs(point.x - x) < Math.abs(best.x - x) ? point : best)), true);
      }
    }

    listen() {
      let drag = null;
      this.box.addEventListener("pointermove", (event) => {
        if (drag && this.axes.length) {
          const place = this.box.getBoundingClientRect();
          this.span.hidden = Math.abs(event.clientX - drag) < 6;
          this.span.style.left = `${Math.min(event.clientX, drag) - place.left}px`;
          this.span.style.width = `${Math.abs(event.clientX - drag)}px`;
        } else if (event.pointerType === "mouse") this.mark(this.nearest(event.clientX, event.clientY));
      });
      this.box.addEventListener("pointerdown", (event) => {
        this.mark(this.nearest(event.clientX, event.clientY));
        if (event.pointerType !== "mouse" || event.button !== 0) return;
        drag = event.clientX;
        this.box.setPointerCapture(event.pointerId);
        event.preventDefault();
        this.box.focus({ preventScroll: true });
      });
      this.box.addEventListener("pointerup", (event) => {
        const from = drag;
        drag = null;
        this.span.hidden = true;
        if (from !== null && Math.abs(event.clientX - from) >= 6 && this.now) this.within(from, event.clientX);
      });
      this.box.addEventListener("pointercancel", () => { drag = null; this.span.hidden = true; });
      this.box.addEventListener("keydown", (event) => {
        const act = {
          ArrowLeft: () => this.step(-1, 0), ArrowRight: () => this.step(1, 0),
          ArrowUp: () => this.step(0, -1), ArrowDown: () => this.step(0, 1),
          "+": () => this.zoom(0.5), "=": () => this.zoom(0.5), "-": () => this.zoom(2), 0: () => this.whole(),
          Escape: () => this.close(),
        }[event.key];
        if (!act || event.ctrlKey || event.metaKey || event.altKey) return;
        event.preventDefault();
        act();
      });
    }

    /** Show the stretch between two places on the screen. */
    within(from, to) {
      const m = this.matrix();
      const shares = [from, to].map((client) => ((client - m.e) / m.a - this.now.left) / this.now.width).sort((a, b) => a - b);
      for (const axis of this.across()) {
        const [low, high] = this.ranges[axis.name];
        this.setRange(axis, low + shares[0] * (high - low), low + shares[1] * (high - low));
      }
      this.apply();
    }
  }

  document.addEventListener("click", (event) => {
    const button = event.target.closest(".explore-button");
    const figure = button && button.closest("figure");
    if (figure) new Explorer(figure, button).open();
  });
})();
