/* The overlay page's reading along curves and its drawing. No state; overlay.js keeps that. */

(function () {
  "use strict";

  const SVG = "http://www.w3.org/2000/svg";
  const SAME = 0.003; // neighbours nearer than this share of x are one point, as when curves are reduced
  const STEPS = 6; // pieces that a stretch between two points is drawn in
  const MARKERS = 16; // markers on a line, at most
  const LINE = 14; // height of a line of text
  const ROW = 58; // of a row of differences: what its words and numbers take of its height

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

  /** Middles (y) of labels of some height pushed apart, inside low..high as far as there is room. */
  function apart(items, low, high) {
    items.sort((a, b) => a.y - b.y);
    const gap = (i) => (items[i].height + items[i - 1].height) / 2;
    items.forEach((item, i) => { item.y = Math.max(item.y, i ? items[i - 1].y + gap(i) : low + item.height / 2); });
    for (let i = items.length - 1; i >= 0; i -= 1) {
      const last = i === items.length - 1;
      items[i].y = Math.min(items[i].y, last ? high - items[i].height / 2 : items[i + 1].y - gap(i + 1));
    }
  }

  /** A name in at most two lines of so many characters; what is beyond is cut, the table below has it whole. */
  function wrapped(words, letters) {
    const lines = [""];
    for (const word of words.split(" ")) {
      const longer = lines[lines.length - 1] ? `${lines[lines.length - 1]} ${word}` : word;
      if (longer.length <= letters || !lines[lines.length - 1]) lines[lines.length - 1] = longer;
      else lines.push(word);
    }
    const kept = lines.length > 2 ? [lines[0], `${lines[1]}\u2026`] : lines;
    return kept.map((line) => (line.length > letters ? `${line.slice(0, letters - 1).replace(/\u2026$/, "")}\u2026` : line));
  }

  const pathOf = (points) => points.map((p, i) => `${i ? "L" : "M"}${round(p[0])},${round(p[1])}`).join("");

  /** The curves with their axis, the gaps to the baseline filled, and a name at the end of each. */
  function curves(svg, frame, view, toX) {
    const { left, right, top, bottom } = frame;
    const { items, y, title } = view.main;
    const toY = (v) => bottom - ((v - y[0]) / (y[1] - y[0])) * (bottom - top);
    const group = node("g", {}, svg);
    node("text", { x: left - frame.gutter, y: top - 10, class: "title" }, group).textContent = title;
    const upright = ticks(y[0], y[1], 5);
    for (const value of upright.values) {
      const at = round(toY(value));
      node("path", { d: `M${left},${at}H${right}`, class: "grid" }, group);
      node("text", { x: left - 6, y: at + 4, "text-anchor": "end" }, group).textContent = text(value, upright.places);
    }
    const inside = node("g", { "clip-path": "url(#main-clip)" }, group);
    if (view.gaps) {
      const base = view.gaps.base.reader;
      for (const { item, path } of view.gaps.items) {
        if (path.length < 2) continue;
        const there = path.map((p) => [toX(p.x), toY(item.reader.at(p.x))]);
        const back = path.map((p) => [toX(p.x), toY(base.at(p.x))]).reverse();
        node("path", { d: `${pathOf([...there, ...back])}Z`, class: "gap", fill: item.look.colour }, inside);
      }
    }
    const ends = [];
    for (const item of items) {
      const shown = item.points.filter((p) => p.x >= view.x[0] && p.x <= view.x[1]);
      if (item.path.length > 1) {
        node("path", { d: pathOf(item.path.map((p) => [toX(p.x), toY(p.y)])), ...stroke(item.look, item.open) }, inside);
      }
      const every = Math.max(1, Math.ceil(shown.length / MARKERS));
      if (!item.smooth) {
        shown.forEach((p, i) => {
          if (i % every === 0 || i === shown.length - 1) {
            marker(item.look, toX(p.x), toY(p.y), item.open, item.single, group);
          }
        });
      }
      const line = item.path.length > 1 ? item.path.filter((p) => p.x >= view.x[0] && p.x <= view.x[1]) : shown;
      const end = line.reduce((best, p) => (!best || p.x >= best.x ? p : best), null);
      if (end) {
        const lines = wrapped(item.name, frame.letters);
        ends.push({ item, lines, height: LINE * lines.length + 4, x: toX(end.x), from: toY(end.y), y: toY(end.y) });
      }
    }
    apart(ends, top - 8, bottom + 8);
    for (const end of ends) {
      const colour = end.item.look.colour;
      // a thread where the name stands away from its curve's end
      if (right - end.x > 8 || Math.abs(end.y - end.from) > 8) {
        node("path", { d: `M${round(end.x) + 7},${round(end.from)}L${right + 4},${round(end.y)}`, class: "thread", stroke: colour }, group);
      }
      const first = round(end.y - (LINE * (end.lines.length - 1)) / 2 + 4);
      const number = node("text", { x: right + 8, y: first, class: "number-of", fill: colour }, group);
      number.textContent = String(end.item.number);
      end.lines.forEach((words, i) => {
        node("text", { x: right + 20 + (end.item.number > 9 ? 7 : 0), y: first + LINE * i, class: "name-of", fill: colour }, group).textContent = words;
      });
    }
    return toY;
  }

  /** Rows below the axis, one a series: the gap to the baseline larger, with its value at a few places. */
  function gapRows(svg, frame, view, toX, from) {
    const { left, right } = frame;
    const { items } = view.gaps;
    const range = (it) => [Math.min(0, ...it.own.map((p) => p.y)), Math.max(0, ...it.own.map((p) => p.y))];
    // one scale for all rows, each as high as it needs
    const widest = Math.max(...items.map((it) => range(it)[1] - range(it)[0]));
    const scale = widest > 0 ? (items.length > 3 ? 28 : 40) / widest : 0;
    const made = [];
    let top = from;
    items.forEach((it) => {
      const { item, path, places, words } = it;
      const decimals = decimalsFor(Math.max(...places.map((p) => Math.abs(p.y))), 2);
      const [low, high] = range(it);
      const zero = top + 38 + high * scale;
      const toY = (v) => zero - v * scale;
      const group = node("g", { class: "gap-row" }, svg);
      node("path", { d: `M${left - frame.gutter},${top}H${frame.end}`, class: "grid" }, group);
      const name = node("text", { x: left - frame.gutter, y: top + 16, class: "title" }, group);
      name.textContent = words;
      node("path", { d: `M${left},${round(toY(0))}H${right}`, class: "zero" }, group);
      node("text", { x: left - 6, y: round(toY(0)) + 4, "text-anchor": "end" }, group).textContent = "0";
      const clipped = path.filter((p) => p.x >= view.x[0] && p.x <= view.x[1]);
      if (clipped.length > 1) {
        const there = clipped.map((p) => [toX(p.x), toY(p.y)]);
        const ends = [[there[there.length - 1][0], toY(0)], [there[0][0], toY(0)]];
        node("path", { d: `${pathOf([...there, ...ends])}Z`, class: "gap", fill: item.look.colour }, group);
      }
      for (const p of places) {
        const x = round(toX(p.x)), end = round(toY(p.y));
        node("path", { d: `M${x},${round(toY(0))}V${end}`, class: "stem", stroke: item.look.colour }, group);
        marker(item.look, x, end, item.open, false, group);
        const value = node("text", { x, y: p.y < 0 ? end + 17 : end - 8, "text-anchor": "middle", class: "value" }, group);
        value.textContent = text(p.y, decimals, true);
      }
      const end = top + ROW + (high - low) * scale;
      made.push([top + 22, end - 2]);
      top = end;
    });
    return { low: top, spans: made };
  }

  /**
   * Draw everything into box.
   * view: {x: [low, high], xTitle, main: {y, title, items}, gaps: {base, items: [{item, path, places, own, words}]} or null}
   * items: {number, name, look, points, path, reader, single, open, smooth}
   * Gives {toValue(clientX), cursor(x, lines)} for reading; lines: [{text, colour, reader}], what to say at the read line.
   */
  function draw(box, view, says) {
    const width = Math.max(260, box.clientWidth);
    const narrow = width < 520;
    const room = narrow ? 104 : 166; // for the names at the ends of the curves
    const frame = {
      gutter: narrow ? 40 : 48, left: narrow ? 42 : 52, right: width - room, end: width,
      letters: narrow ? 11 : 20, top: 26, bottom: 26 + (narrow ? 230 : 300),
    };
    const { left, right, top, bottom } = frame;
    const svg = node("svg", { width, role: "img", "aria-label": says });
    const clip = node("clipPath", { id: "main-clip" }, node("defs", {}, svg));
    node("rect", { x: left, y: top - 2, width: right - left + 1, height: bottom - top + 4 }, clip);
    const toX = (v) => left + ((v - view.x[0]) / (view.x[1] - view.x[0])) * (right - left);
    const rule = node("path", { class: "cursor" }, svg); // under everything, so that no number is struck through
    const toY = curves(svg, frame, view, toX);
    node("path", { d: `M${left},${bottom}H${right}`, class: "axis" }, svg);
    const across = ticks(view.x[0], view.x[1], narrow ? 4 : 6);
    for (const value of across.values) {
      const x = round(toX(value));
      node("path", { d: `M${x},${bottom}v5`, class: "axis" }, svg);
      node("text", { x, y: bottom + 18, "text-anchor": "middle" }, svg).textContent = text(value, across.places);
    }
    node("text", { x: (left + right) / 2, y: bottom + 36, "text-anchor": "middle", class: "title" }, svg)
      .textContent = view.xTitle;
    const rows = bottom + 50;
    const { low, spans } = view.gaps ? gapRows(svg, frame, view, toX, rows) : { low: bottom + 42, spans: [] };
    svg.setAttribute("height", low);
    svg.setAttribute("viewBox", `0 0 ${width} ${low}`);
    const read = node("g", { class: "read-off" }, svg);
    box.replaceChildren(svg);
    return {
      toValue: (clientX) => {
        const place = svg.getBoundingClientRect();
        const share = ((clientX - place.left) * (width / place.width) - left) / (right - left);
        return view.x[0] + Math.min(Math.max(share, 0), 1) * (view.x[1] - view.x[0]);
      },
      cursor: (value, lines) => {
        const x = round(toX(value));
        rule.setAttribute("d", [[top, bottom], ...spans].map(([from, to]) => `M${x},${round(from)}V${round(to)}`).join(""));
        read.replaceChildren();
        if (!view.gaps) return;
        const base = view.gaps.base.reader.at(value);
        for (const line of lines) {
          const own = base === null || !line.reader.line ? null : line.reader.at(value);
          if (own !== null) node("path", { d: `M${x},${round(toY(base))}V${round(toY(own))}`, class: "bridge", stroke: line.colour }, read);
        }
        const spot = freest(view, frame, toX, toY, x, lines);
        lines.forEach((line, i) => {
          node("text", {
            x: spot.before ? x - 8 : x + 8, y: spot.top + 11 + LINE * i, class: "says",
            "text-anchor": spot.before ? "end" : "start", fill: line.colour,
          }, read).textContent = line.text;
        });
      },
    };
  }

  /** Where words at the read line x are furthest from all curves: at the top or the bottom, before or after the line. */
  function freest(view, frame, toX, toY, x, lines) {
    const { left, right, top, bottom } = frame;
    const long = 10 + 7.6 * Math.max(0, ...lines.map((line) => line.text.length)), high = LINE * lines.length + 4;
    const near = (from, to) => view.main.items.flatMap((it) => (it.path.length > 1 ? it.path : it.points))
      .filter((p) => toX(p.x) >= from - 12 && toX(p.x) <= to + 12).map((p) => toY(p.y));
    let best = null;
    for (const before of [false, true]) {
      const from = before ? x - long : x, to = before ? x : x + long;
      const out = Math.max(0, left - from) + Math.max(0, to - right);
      const ys = near(from, to);
      for (const at of [top + 2, bottom - high]) {
        const gap = Math.min(...ys.map((y) => (at === top + 2 ? y - at - high : at - y)), bottom - top);
        const room = Math.min(gap, 30) - 10 * out;
        if (!best || room > best.room) best = { room, before, top: at };
      }
    }
    return best;
  }

  /** About so many places of a stretch to read at: round ones, or its ends where there is no room for two. */
  function roundPlaces(low, high, about) {
    for (let n = about; high > low && n < about + 4; n += 1) {
      const found = ticks(low, high, n).values;
      if (found.length >= Math.max(2, about / 2)) return found;
    }
    return high > low ? [low, high] : [low];
  }

  window.whirlbookPlot = { reader, commonPlaces, finer, roundPlaces, decimalsFor, text, range, draw, key };
})();
