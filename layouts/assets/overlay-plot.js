/* The overlay page's reading along curves and its drawing. No state; overlay.js keeps that. */

(function () {
  "use strict";

  const SVG = "http://www.w3.org/2000/svg";
  const SAME = 0.003; // neighbours nearer than this share of x are one point, as when curves are reduced
  const STEPS = 6; // pieces that a stretch between two points is drawn in
  const MARKERS = 16; // markers on a line, at most

  /* --- reading ------------------------------------------------------------------------------- */

  /** Points by rising x, near neighbours averaged; null where the curve turns back, so that no value is its own. */
  function rising(points) {
    const joined = [];
    for (const point of points) {
      const last = joined[joined.length - 1];
      if (!last) joined.push({ x: point.x, y: point.y, n: 1 });
      else if (Math.abs(point.x - last.x) <= SAME * Math.abs(last.x)) {
        last.x = (last.x * last.n + point.x) / (last.n + 1);
        last.y = (last.y * last.n + point.y) / (last.n + 1);
        last.n += 1;
      } else if (point.x > last.x) joined.push({ x: point.x, y: point.y, n: 1 });
      else return null;
    }
    return joined;
  }

  /** Value of a joined line at x: along a power law where law is set and all is above zero, else a straight one. */
  function between(line, x, law) {
    const last = line[line.length - 1];
    if (!line.length || x < line[0].x * (1 - 1e-9) || x > last.x * (1 + 1e-9)) return null;
    if (line.length === 1) return line[0].y;
    let right = 1;
    while (right < line.length - 1 && line[right].x < x) right += 1;
    const a = line[right - 1], b = line[right];
    if (law && a.x > 0 && a.y > 0 && b.y > 0) {
      return a.y * Math.pow(b.y / a.y, Math.log(x / a.x) / Math.log(b.x / a.x));
    }
    return a.y + ((b.y - a.y) * (x - a.x)) / (b.x - a.x);
  }

  /** What can be read of a series: at(x) or null, the places of its own points, whether it is a line. */
  function reader(points, single, law) {
    if (single) {
      return {
        line: false,
        places: points.map((p) => p.x),
        at: (x) => {
          const near = points.find((p) => Math.abs(p.x - x) <= SAME * Math.abs(x));
          return near ? near.y : null;
        },
      };
    }
    const line = rising(points);
    if (!line || line.length < 2) return { line: false, places: [], at: () => null, turns: line === null };
    return { line: true, places: line.map((p) => p.x), at: (x) => between(line, x, law) };
  }

  /** Places at which two series can both be read: points of both, in between them too where both are lines. */
  function commonPlaces(a, b) {
    const all = [...a.places, ...b.places].sort((p, q) => p - q);
    const both = all.filter((x, i) => (i === 0 || x !== all[i - 1]) && a.at(x) !== null && b.at(x) !== null);
    return both;
  }

  /** A line's places with STEPS - 1 more between each two, so that a power law is drawn as one. */
  function finer(places) {
    const fine = [];
    places.forEach((x, i) => {
      if (i > 0) {
        for (let k = 1; k < STEPS; k += 1) fine.push(places[i - 1] + ((x - places[i - 1]) * k) / STEPS);
      }
      fine.push(x);
    });
    return fine;
  }

  /* --- numbers ------------------------------------------------------------------------------- */

  /** Decimal places that show a value with so many significant digits. */
  function decimalsFor(value, digits) {
    if (!value) return 0;
    return Math.min(Math.max(digits - 1 - Math.floor(Math.log10(Math.abs(value))), 0), 6);
  }

  /** A number with thin spaces between thousands and a true minus; signed writes the plus too. */
  function text(value, decimals, signed) {
    const fixed = Math.abs(value).toFixed(decimals);
    const [whole, part] = fixed.split(".");
    const grouped = whole.replace(/\B(?=(\d{3})+$)/g, "\u202f") + (part ? "." + part : "");
    if (Number(fixed) === 0) return grouped;
    return (value < 0 ? "\u2212" : signed ? "+" : "") + grouped;
  }

  /** About so many round ticks inside low..high. */
  function ticks(low, high, about) {
    const raw = (high - low) / about;
    const power = Math.pow(10, Math.floor(Math.log10(raw)));
    const step = power * ([1, 2, 5].find((s) => s * power >= raw * 0.999) || 10);
    const places = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
    const found = [];
    for (let i = Math.ceil(low / step - 1e-9); i * step <= high + step * 1e-9; i += 1) found.push(i * step);
    return { values: found, places };
  }

  /** An axis's range with room at its ends: from zero where the values come near to it. */
  function range(values, fromZero) {
    const low = Math.min(...values), high = Math.max(...values);
    const room = high > low ? 0.05 * (high - low) : Math.max(0.05 * Math.abs(high), 1e-3);
    return [fromZero && low >= 0 && low < 0.5 * high ? 0 : low - room, high + room];
  }

  /* --- drawing ------------------------------------------------------------------------------- */

  function node(name, attributes, parent) {
    const made = document.createElementNS(SVG, name);
    for (const key of Object.keys(attributes)) made.setAttribute(key, attributes[key]);
    if (parent) parent.append(made);
    return made;
  }

  const round = (value) => Math.round(value * 10) / 10;

  /** Outline of a marker of radius r about x, y. */
  function outline(shape, x, y, r) {
    const at = (dx, dy) => `${round(x + dx * r)},${round(y + dy * r)}`;
    switch (shape) {
      case "square": return `M${at(-0.9, -0.9)}L${at(0.9, -0.9)}L${at(0.9, 0.9)}L${at(-0.9, 0.9)}Z`;
      case "triangle-up": return `M${at(0, -1.2)}L${at(1.15, 0.8)}L${at(-1.15, 0.8)}Z`;
      case "triangle-down": return `M${at(0, 1.2)}L${at(1.15, -0.8)}L${at(-1.15, -0.8)}Z`;
      case "diamond": return `M${at(0, -1.25)}L${at(1.1, 0)}L${at(0, 1.25)}L${at(-1.1, 0)}Z`;
      default: return `M${at(-1, 0)}a${r},${r},0,1,0,${2 * r},0a${r},${r},0,1,0,${-2 * r},0Z`;
    }
  }

  /** A line's or marker's look as attributes. */
  function stroke(look, thin) {
    const dashed = look.dash.length > 1 && look.dash[1] > 0;
    return {
      fill: "none",
      stroke: look.colour,
      "stroke-width": thin ? 1.2 : 2.2,
      ...(dashed ? { "stroke-dasharray": look.dash.join(" ") } : {}),
    };
  }

  function marker(look, x, y, open, big, parent) {
    const paint = open
      ? { fill: "var(--paper)", stroke: look.colour, "stroke-width": 1.5 }
      : { fill: look.colour, stroke: "var(--paper)", "stroke-width": 0.8 };
    node("path", { d: outline(look.shape, x, y, big ? 6 : 4), ...paint }, parent);
  }

  /** How a series is drawn, small, to stand before its name. */
  function key(look, item) {
    const svg = node("svg", { class: "legend-mark", width: 34, height: 16, viewBox: "0 0 34 16", "aria-hidden": "true" });
    if (!item.single) node("path", { d: "M0,8H34", ...stroke(look, item.open) }, svg);
    if (!item.smooth) marker(look, 17, 8, item.open, item.single, svg);
    return svg;
  }

  /** Heights pushed apart so that none are nearer than gap, inside low..high as far as there is room. */
  function apart(items, gap, low, high) {
    items.sort((a, b) => a.y - b.y);
    items.forEach((item, i) => { item.y = Math.max(item.y, i ? items[i - 1].y + gap : low); });
    for (let i = items.length - 1; i >= 0; i -= 1) {
      items[i].y = Math.min(items[i].y, i < items.length - 1 ? items[i + 1].y - gap : high);
    }
  }

  /** One plot with axes, lines and markers. panel: {top, height, y: [low, high], title, zero, items}. */
  function panel(svg, frame, x, spec) {
    const { left, right } = frame;
    const toX = (v) => left + ((v - x[0]) / (x[1] - x[0])) * (right - left);
    const toY = (v) => spec.top + spec.height * (1 - (v - spec.y[0]) / (spec.y[1] - spec.y[0]));
    const group = node("g", {}, svg);
    node("text", { x: left - frame.gutter, y: spec.top - 10, class: "title" }, group).textContent = spec.title;
    let upright = ticks(spec.y[0], spec.y[1], spec.height > 160 ? 5 : 3);
    // a difference that falls below zero has a tick there too
    for (let about = 5; spec.zero && spec.y[0] < 0 && upright.values[0] >= 0 && about < 12; about += 2) {
      upright = ticks(spec.y[0], spec.y[1], about);
    }
    for (const value of upright.values) {
      const y = round(toY(value));
      node("path", { d: `M${left},${y}H${right}`, class: spec.zero && value === 0 ? "zero" : "grid" }, group);
      node("text", { x: left - 6, y: y + 4, "text-anchor": "end" }, group).textContent = text(value, upright.places);
    }
    const inside = node("g", { "clip-path": `url(#${spec.clip})` }, group);
    const ends = [];
    for (const item of spec.items) {
      const shown = item.points.filter((p) => p.x >= x[0] && p.x <= x[1]);
      if (item.path.length > 1) {
        const d = item.path.map((p, i) => `${i ? "L" : "M"}${round(toX(p.x))},${round(toY(p.y))}`).join("");
        node("path", { d, ...stroke(item.look, item.open) }, inside);
      }
      const every = Math.max(1, Math.ceil(shown.length / MARKERS));
      if (!item.smooth) {
        shown.forEach((p, i) => {
          if (i % every === 0 || i === shown.length - 1) {
            marker(item.look, toX(p.x), toY(p.y), item.open, item.single, group);
          }
        });
      }
      const line = item.path.length > 1 ? item.path.filter((p) => p.x >= x[0] && p.x <= x[1]) : shown;
      const end = line.reduce((best, p) => (!best || p.x >= best.x ? p : best), null);
      if (end) ends.push({ item, x: toX(end.x), y: toY(end.y) });
    }
    apart(ends, 13, spec.top + 4, spec.top + spec.height - 4);
    for (const end of ends) {
      const label = node("text", { x: round(end.x) + 9, y: round(end.y) + 4, class: "number-of", fill: end.item.look.colour }, group);
      label.textContent = String(end.item.number);
    }
    return { toX, toY };
  }

  /**
   * Draw everything into box.
   * view: {x: [low, high], xTitle, main: {y, title, items}, difference: the same or null}
   * items: {number, look, points, path, single, open, smooth}
   * Gives {toValue(clientX), cursor(x)} for reading.
   */
  function draw(box, view, says) {
    const width = Math.max(260, box.clientWidth);
    const narrow = width < 520;
    const frame = { gutter: narrow ? 40 : 48, left: narrow ? 42 : 52, right: width - 26 };
    const mainHeight = narrow ? 230 : 300, differenceHeight = view.difference ? 110 : 0;
    const top = 26, second = top + mainHeight + 34;
    const bottom = view.difference ? second + differenceHeight : top + mainHeight;
    const height = bottom + 42;
    const svg = node("svg", { width, height, viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": says });
    const definitions = node("defs", {}, svg);
    const clip = (name, y, h) => {
      const path = node("clipPath", { id: name }, definitions);
      node("rect", { x: frame.left, y: y - 2, width: frame.right - frame.left + 1, height: h + 4 }, path);
    };
    clip("main-clip", top, mainHeight);
    const across = ticks(view.x[0], view.x[1], narrow ? 4 : 6);
    const main = { ...view.main, top, height: mainHeight, clip: "main-clip" };
    const { toX } = panel(svg, frame, view.x, main);
    if (view.difference) {
      clip("difference-clip", second, differenceHeight);
      panel(svg, frame, view.x, {
        ...view.difference, top: second, height: differenceHeight, clip: "difference-clip", zero: true,
      });
    }
    node("path", { d: `M${frame.left},${bottom}H${frame.right}`, class: "axis" }, svg);
    for (const value of across.values) {
      const x = round(toX(value));
      node("path", { d: `M${x},${bottom}v5`, class: "axis" }, svg);
      node("text", { x, y: bottom + 18, "text-anchor": "middle" }, svg).textContent = text(value, across.places);
    }
    node("text", { x: (frame.left + frame.right) / 2, y: bottom + 36, "text-anchor": "middle", class: "title" }, svg)
      .textContent = view.xTitle;
    const rule = node("path", { class: "cursor" }, svg);
    box.replaceChildren(svg);
    return {
      toValue: (clientX) => {
        const place = svg.getBoundingClientRect();
        const share = ((clientX - place.left) * (width / place.width) - frame.left) / (frame.right - frame.left);
        return view.x[0] + Math.min(Math.max(share, 0), 1) * (view.x[1] - view.x[0]);
      },
      cursor: (x) => rule.setAttribute("d", `M${round(toX(x))},${top}V${bottom}`),
    };
  }

  window.whirlbookPlot = { reader, commonPlaces, finer, decimalsFor, text, range, draw, key };
})();
