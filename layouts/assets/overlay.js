/*
 * The overlay page: what is chosen, how it is shown, and the address that holds it.
 *
 * A session's numbers are a script beside its page that calls whirlbookOverlay; it is loaded when something of
 * the session is chosen, and never before. The view stands in the fragment of the address:
 *   x, y  quantities    s  a series, "session~key", once for each    base  one of them    air=1  standard air
 *   at    where it is read    from, to  range of x, both in the published unit whatever the reader's own
 */

(function () {
  "use strict";

  const plot = window.whirlbookPlot;
  const tool = document.getElementById("view");
  if (!tool || !plot) return;
  const settings = JSON.parse(tool.dataset.settings);
  const quantities = new Map(settings.quantities.map((q) => [q.key, q]));
  const get = (id) => document.getElementById(id);
  const box = get("plot"), slider = get("read-at"), rows = get("chosen").tBodies[0];
  document.documentElement.classList.add("scripted");

  const SAFE = /^[A-Za-z0-9][A-Za-z0-9._-]*$/; // ids of sessions: nothing that leads out of their folder
  const SINGLE = new Set(["hold"]);
  const SMOOTH = new Set(["soak", "fit"]);
  const empty = () => ({ x: "thrust", y: "power", base: "", air: false, at: null, from: null, to: null, chosen: [] });

  const factorOf = (key) => quantities.get(key).factor || 1;

  /** Units as the reader likes; on the page's first look, those that units.js has already set. */
  function takeUnits() {
    const before = state ? factorOf(state.x) : 1;
    for (const q of settings.quantities) {
      const scale = q.scales && q.scales[document.documentElement.dataset[q.kind]];
      if (!scale) continue;
      q.unit = scale.unit;
      q.factor = scale.factor;
    }
    for (const option of document.querySelectorAll("#axis-x option, #axis-y option")) {
      const q = quantities.get(option.value);
      option.textContent = `${q.label} (${q.unit})`;
    }
    if (!state) return;
    const ratio = factorOf(state.x) / before;
    for (const name of PLACES) if (state[name] !== null) state[name] *= ratio;
  }

  const PLACES = ["at", "from", "to"];
  let state = null;
  takeUnits();
  state = empty();
  let shown = []; // what is drawn: see items()
  let drawn = null; // handle of the drawing
  let common = null; // range of x that all lines have
  let written = ""; // fragment as last written by this page
  let axesChosen = false; // by the reader, so that they are left alone

  /* --- sessions, loaded when needed ------------------------------------------------------------ */

  const pieces = new Map();
  const loading = new Map();
  window.whirlbookOverlay = (piece) => pieces.set(piece.session, piece);

  function load(session) {
    if (!SAFE.test(session)) return Promise.reject(new Error(session));
    if (!loading.has(session)) {
      loading.set(session, new Promise((done, failed) => {
        const script = document.createElement("script");
        script.src = `${tool.dataset.folder}/${session}/overlay.js`;
        script.onload = () => (pieces.has(session) ? done(pieces.get(session)) : failed(new Error(session)));
        script.onerror = () => { loading.delete(session); failed(new Error(session)); };
        document.head.append(script);
      }));
    }
    return loading.get(session);
  }

  const split = (id) => { const cut = id.indexOf("~"); return [id.slice(0, cut), id.slice(cut + 1)]; };

  /** Session and series of an id, or null while they are not loaded or where there is none. */
  function find(id) {
    const [session, key] = split(id);
    const piece = pieces.get(session);
    const series = piece && piece.series.find((it) => it.key === key);
    return series ? { piece, series } : null;
  }

  const labelOf = (piece, series) =>
    `${piece.treatments.find((it) => it.id === series.treatment).label}, ${series.detail}`;

  /* --- the address ----------------------------------------------------------------------------- */

  function fromAddress() {
    const found = new URLSearchParams(location.hash.slice(1));
    const next = empty();
    const number = (name) => {
      const value = found.get(name);
      return value === null || value === "" || !Number.isFinite(Number(value)) ? null : Number(value);
    };
    for (const axis of ["x", "y"]) if (quantities.has(found.get(axis))) next[axis] = found.get(axis);
    if (next.y === "time") next.y = "motor_rise";
    next.chosen = [...new Set(found.getAll("s"))].filter((id) => SAFE.test(split(id)[0]));
    next.base = next.chosen.includes(found.get("base")) ? found.get("base") : "";
    next.air = found.get("air") === "1";
    for (const name of PLACES) if (number(name) !== null) next[name] = number(name) * factorOf(next.x);
    return next;
  }

  /** A place on x in the published unit, in the digits an address holds. */
  const published = (x) => Number((x / factorOf(state.x)).toPrecision(6));

  function toAddress() {
    const made = [];
    const put = (name, value) => made.push(`${name}=${encodeURIComponent(value)}`);
    if (state.chosen.length) {
      put("x", state.x);
      put("y", state.y);
      for (const id of state.chosen) put("s", id);
      if (state.base) put("base", state.base);
      if (state.air) put("air", 1);
      for (const name of PLACES) if (state[name] !== null) put(name, published(state[name]));
    }
    written = made.join("&");
    const address = written ? `#${written}` : location.pathname + location.search;
    try { history.replaceState(null, "", address); } catch { location.hash = written; }
    for (const link of document.querySelectorAll(".overlay-pager a")) link.hash = written;
  }

  /* --- marks: a treatment's own where it is free, so that charts of its session look alike ------- */

  function looks(found) {
    const marks = settings.marks;
    const all = marks.flatMap((_, turn) => marks.map((mark, i) => {
      const form = marks[(i + turn) % marks.length];
      return { colour: mark.colour, dash: form.dash, shape: form.shape };
    }));
    const taken = new Map(); // session and treatment -> place in all
    for (const { piece, series } of found) {
      const name = `${piece.session}~${series.treatment}`;
      if (taken.has(name)) continue;
      const others = piece.treatments.filter((it) => it.id !== piece.baseline).map((it) => it.id);
      const own = series.treatment === piece.baseline ? 0 : 1 + (others.indexOf(series.treatment) % (marks.length - 1));
      const used = new Set(taken.values());
      const free = all.findIndex((_, i) => !used.has(i));
      taken.set(name, used.has(own) ? Math.max(free, 0) : own);
    }
    return (piece, series) => all[taken.get(`${piece.session}~${series.treatment}`)];
  }

  /* --- what is drawn ----------------------------------------------------------------------------- */

  function values(piece, series, key) {
    const column = series.columns[key];
    const air = state.air && quantities.get(key).density ? settings.standard / piece.density : 1;
    const factor = air * factorOf(key);
    return column && (factor === 1 ? column : column.map((v) => (v === null ? null : v * factor)));
  }

  /** Every chosen series that is loaded, in the order chosen, with its points on these axes. */
  function items() {
    const found = state.chosen.map((id) => ({ id, ...find(id) })).filter((it) => it.series);
    const lookOf = looks(found);
    const law = quantities.get(state.x).law && quantities.get(state.y).law;
    return found.map(({ id, piece, series }) => {
      const xs = values(piece, series, state.x), ys = values(piece, series, state.y);
      const points = [];
      if (xs && ys) xs.forEach((x, i) => { if (x !== null && ys[i] !== null) points.push({ x, y: ys[i] }); });
      const single = SINGLE.has(series.kind);
      const reader = plot.reader(points, single, law);
      const path = single ? [] : reader.line
        ? plot.finer(reader.places).map((x) => ({ x, y: reader.at(x) }))
        : points;
      return {
        id, piece, series, points, path, reader, single,
        number: state.chosen.indexOf(id) + 1,
        look: lookOf(piece, series),
        open: series.key.endsWith("~down") || series.kind === "soak",
        smooth: SMOOTH.has(series.kind),
      };
    });
  }

  function title(key) {
    const q = quantities.get(key);
    return `${q.label} (${q.unit})${state.air && q.density ? ", standard air" : ""}`;
  }

  function redraw() {
    shown = items();
    const drawable = shown.filter((it) => it.points.length);
    const base = shown.find((it) => it.id === state.base && it.points.length);
    drawn = null;
    common = null;
    if (!drawable.length) {
      const hint = state.chosen.length
        ? "Nothing of what is chosen has both quantities. Choose other axes."
        : "Nothing chosen yet. Open a session below and tick what to draw.";
      const says = document.createElement("p");
      says.className = "overlay-empty";
      says.textContent = hint;
      box.replaceChildren(says);
      slider.disabled = true;
    } else {
      drawChart(drawable, base);
    }
    listBaselines(drawable);
    listRows(base);
    read();
    sayDifference();
    if (get("numbers").open) listNumbers();
    for (const tick of document.querySelectorAll(".overlay-choice input")) tick.checked = state.chosen.includes(tick.value);
    get("take-all-away").disabled = get("copy-address").disabled = !state.chosen.length;
  }

  function drawChart(drawable, base) {
    const inRange = (p) => (state.from === null || p.x >= state.from) && (state.to === null || p.x <= state.to);
    const seen = drawable.flatMap((it) => it.points.filter(inRange));
    const points = seen.length ? seen : drawable.flatMap((it) => it.points);
    const x = plot.range(points.map((p) => p.x), true);
    if (seen.length && state.from !== null) x[0] = state.from;
    if (seen.length && state.to !== null) x[1] = state.to;
    if (!(x[0] < x[1])) x[1] = x[0] + 1;
    const gaps = base ? gapsTo(base, drawable, x) : null;
    const names = drawable.map((it) => `${it.number}, ${labelOf(it.piece, it.series)}`).join("; ");
    drawn = plot.draw(box, {
      x, xTitle: title(state.x),
      main: { y: plot.range(points.map((p) => p.y), true), title: title(state.y), items: named(drawable) },
      gaps,
    }, `${title(state.y)} against ${title(state.x)}: ${names}. ${gaps ? `${gaps.items.map((it) => it.words).join(". ")}. ` : ""}The table below reads them.`);
    const lines = drawable.filter((it) => it.reader.places.length);
    const low = Math.max(...lines.map((it) => it.reader.places[0]));
    const high = Math.min(...lines.map((it) => it.reader.places[it.reader.places.length - 1]));
    common = lines.length && low <= high ? [low, high] : null;
    slider.disabled = false;
    slider.min = String(x[0]);
    slider.max = String(x[1]);
    slider.step = "any";
    slider.value = String(place());
  }

  /** Where values are read: where the reader says, else the middle of what all lines have in common. */
  function place() {
    const low = Number(slider.min), high = Number(slider.max);
    const x = state.at !== null ? state.at : common ? (common[0] + common[1]) / 2 : (low + high) / 2;
    return Math.min(Math.max(x, low), high);
  }

  /** Items with the shortest name that tells them apart, for the end of their curve. */
  function named(list) {
    const short = (it) => it.piece.treatments.find((one) => one.id === it.series.treatment).label;
    for (const it of list) {
      const alike = list.filter((other) => short(other) === short(it));
      const sessions = new Set(alike.map((other) => other.piece.session)).size > 1;
      it.name = alike.length === 1 ? short(it)
        : sessions && new Set(alike.map((other) => other.series.detail)).size === 1 ? `${short(it)}, ${it.piece.title}`
          : `${short(it)}, ${it.series.detail}`;
    }
    return list;
  }

  /** The differences from the baseline as something to draw: along x, at a few places, and in words; null without any. */
  function gapsTo(base, drawable, x) {
    const inside = (p) => p.x >= x[0] && p.x <= x[1];
    const unit = quantities.get(state.y).unit;
    const found = [];
    for (const item of drawable) {
      if (item === base) continue;
      const at = (place) => ({ x: place, y: item.reader.at(place) - base.reader.at(place) });
      const common = plot.commonPlaces(item.reader, base.reader);
      const lines = item.reader.line && base.reader.line;
      const path = lines ? plot.finer(common).map(at) : [];
      const own = (lines ? path : common.map(at)).filter(inside);
      if (!own.length) continue;
      const few = !lines ? own.slice(0, 8)
        : plot.roundPlaces(own[0].x, own[own.length - 1].x, box.clientWidth < 520 ? 3 : 6).map(at);
      found.push({ item, path, places: few, own, words: `${item.number} minus ${base.number} (${unit}): ${sideOf(own, lines)}` });
    }
    return found.length ? { base, items: found } : null;
  }

  /** Which of the two is higher, in words, from the differences along x, or at single places. */
  function sideOf(own, lines) {
    const word = (p) => (p.y > 0 ? "higher" : "lower");
    const unequal = own.filter((p) => p.y !== 0);
    if (!unequal.length) return "the same";
    const first = word(unequal[0]), alike = own.filter((p) => p.y !== 0 && word(p) === first).length;
    if (!lines) {
      if (own.length === 1) return first;
      return alike === own.length ? `${first} at ${own.length === 2 ? "both" : "all"}` : `${first} at ${alike} of ${own.length}`;
    }
    const large = Math.max(...own.map((p) => Math.abs(p.y)));
    const clear = own.filter((p) => Math.abs(p.y) >= 0.05 * large); // nearer to zero neither is said to be higher
    const turns = clear.filter((p, i) => i > 0 && word(p) !== word(clear[i - 1]));
    if (!turns.length) return `${word(clear[0])} ${own.every((p) => word(p) === word(clear[0])) ? "" : "nearly "}throughout`;
    if (turns.length > 1) return "higher in places, lower in others";
    const q = quantities.get(state.x), place = Number(turns[0].x.toPrecision(2));
    return `${word(clear[0])} to about ${plot.text(place, plot.decimalsFor(place, 2))}\u00a0${q.unit}, then ${word(turns[0])}`;
  }

  /* --- lists below the chart ----------------------------------------------------------------------- */

  function make(name, words, parent, className) {
    const made = document.createElement(name);
    if (words !== undefined && words !== null) made.textContent = words;
    if (className) made.className = className;
    if (parent) parent.append(made);
    return made;
  }

  function listBaselines(drawable) {
    const select = get("baseline");
    const none = select.options[0];
    select.replaceChildren(none);
    for (const it of drawable) {
      const option = make("option", `${it.number}: ${labelOf(it.piece, it.series)}`, select);
      option.value = it.id;
    }
    select.value = drawable.some((it) => it.id === state.base) ? state.base : "";
  }

  function listRows(base) {
    const several = new Set(shown.map((it) => it.piece.session)).size > 1;
    const focused = rows.contains(document.activeElement) ? document.activeElement.value : null;
    rows.replaceChildren();
    for (const it of shown) {
      const row = make("tr", null, rows);
      const name = make("th", null, row);
      name.scope = "row";
      const mark = make("span", null, name, "overlay-mark");
      mark.append(plot.key(it.look, it), ` ${it.number} `);
      name.append(labelOf(it.piece, it.series));
      const air = state.air ? "" : `, air ${it.piece.density.toFixed(3)}\u00a0kg/m³`;
      const notes = [it.piece.title + (several ? air : "")];
      if (it.piece.simulated) notes.push("simulated");
      if (!it.points.length) notes.push("has not got both quantities");
      else if (it.reader.turns) notes.push("turns back on this axis, so it is drawn but not read");
      make("span", notes.join(" · "), name, "cell-note");
      it.value = make("td", null, row, "number");
      it.gap = make("td", null, row, "number");
      const button = make("button", null, make("td", null, row), "overlay-away");
      button.type = "button";
      button.value = it.id;
      button.append("\u00d7");
      make("span", ` remove ${it.number}, ${labelOf(it.piece, it.series)}`, button, "visually-hidden");
      if (base && it === base) it.gap.textContent = "baseline";
      if (focused === it.id) button.focus();
    }
    tool.classList.toggle("has-chosen", shown.length > 0);
  }

  /** Values at the place of reading into the table. Called for each move of the pointer, so it only writes text. */
  function read() {
    const x = place();
    const unit = quantities.get(state.x).unit;
    get("read-at-value").textContent = drawn ? `${plot.text(x, plot.decimalsFor(x, 3))}\u00a0${unit}` : "";
    slider.setAttribute("aria-valuetext", get("read-at-value").textContent);
    get("head-value").textContent = `Value (${quantities.get(state.y).unit})`;
    const base = shown.find((it) => it.id === state.base);
    const lines = [];
    for (const it of shown) {
      const spot = nearest(it, x);
      const value = spot === null ? null : it.reader.at(spot);
      it.value.textContent = value === null ? "\u2013" : plot.text(value, plot.decimalsFor(value, 4));
      if (value !== null && spot !== x) make("span", ` at ${plot.text(spot, plot.decimalsFor(spot, 3))}\u00a0${unit}`, it.value, "cell-note");
      if (base && it !== base) {
        const gap = gapAt(it, base, x);
        it.gap.textContent = gap ? gap.amount : "\u2013";
        if (gap && gap.share) make("span", gap.share, it.gap, "cell-note");
        if (gap) lines.push({ text: inWords(it, gap, x), colour: it.look.colour, reader: it.reader });
      }
    }
    if (drawn) drawn.cursor(x, lines);
  }

  /** A difference at the read line: how much, and which way. */
  function inWords(it, gap, x) {
    const size = gap.amount.replace(/^[+\u2212]/, "");
    const q = quantities.get(state.x);
    const where = gap.spot === x ? "" : ` at ${plot.text(gap.spot, plot.decimalsFor(gap.spot, 3))}\u00a0${q.unit}`;
    if (size === gap.amount) return `${it.number}: the same${where}`;
    return `${it.number}: ${size}\u00a0${quantities.get(state.y).unit} ${gap.amount.startsWith("+") ? "higher" : "lower"}${where}`;
  }

  /** x itself on a line; for single points the nearest of them; null where there is nothing to read. */
  function nearest(it, x) {
    if (it.reader.line) return it.reader.at(x) === null ? null : x;
    return it.reader.places.reduce((best, p) => (best === null || Math.abs(p - x) < Math.abs(best - x) ? p : best), null);
  }

  /** Series minus baseline at x, or at the nearest place where both can be read. */
  function gapAt(it, base, x) {
    const lines = it.reader.line && base.reader.line;
    const places = lines ? [] : plot.commonPlaces(it.reader, base.reader);
    const spot = lines ? x : places.reduce((best, p) => (best === null || Math.abs(p - x) < Math.abs(best - x) ? p : best), null);
    if (spot === null || it.reader.at(spot) === null || base.reader.at(spot) === null) return null;
    const from = base.reader.at(spot), gap = it.reader.at(spot) - from;
    const q = quantities.get(state.y);
    const amount = plot.text(gap, plot.decimalsFor(from, 4), true);
    const share = q.kind !== "temperature" && q.unit !== "%" && from > 0
      ? `${plot.text((100 * gap) / from, 1, true)}\u00a0%` : "";
    return { spot, amount, share };
  }

  /** The differences in sentences, for everybody and read out when they change; never while a pointer moves. */
  function sayDifference() {
    const says = get("difference-says");
    says.replaceChildren();
    const base = shown.find((it) => it.id === state.base && it.points.length);
    if (!base) return;
    const x = place(), y = quantities.get(state.y), xq = quantities.get(state.x);
    const list = make("ul", null, says);
    for (const it of shown.filter((other) => other !== base && other.points.length)) {
      const gap = gapAt(it, base, x);
      const line = make("li", null, list);
      if (!gap) {
        line.append(`${it.number} and ${base.number} cannot both be read here: nothing in common.`);
      } else {
        const where = `${plot.text(gap.spot, plot.decimalsFor(gap.spot, 3))}\u00a0${xq.unit}`;
        const share = gap.share ? `, ${gap.share} of ${base.number}` : "";
        line.append(`At ${where}, ${it.number} (${labelOf(it.piece, it.series)}) minus ${base.number} is ${gap.amount}\u00a0${y.unit}${share}. `);
      }
      const known = it.piece === base.piece && it.piece.comparisons.find((pair) =>
        [pair.treatment, pair.baseline].includes(it.series.treatment)
        && [pair.treatment, pair.baseline].includes(base.series.treatment)
        && it.series.treatment !== base.series.treatment);
      if (known) {
        make("a", "The comparison with its interval", line).href = `${tool.dataset.folder}/${it.piece.session}/${known.page}`;
        line.append(".");
      }
    }
    const airs = new Set(shown.filter((it) => it.points.length).map((it) => it.piece.density));
    const scaled = [state.x, state.y].some((key) => quantities.get(key).density);
    make("p", "Read without an interval: a difference here may be no more than scatter. Where a comparison with its interval was made, it is linked." + (airs.size > 1 && scaled && !state.air
      ? " The sessions had different air; standard air puts them on one density." : ""), says, "quiet");
  }

  function listNumbers() {
    const table = get("numbers").querySelector("table");
    const base = shown.find((it) => it.id === state.base && it.points.length);
    const head = make("tr", null);
    const names = ["Series", title(state.x), title(state.y), ...(base ? [`Difference from ${base.number}`] : [])];
    names.forEach((name, i) => { make("th", name, head, i ? "number" : "").scope = "col"; });
    table.tHead.replaceChildren(head);
    table.tBodies[0].replaceChildren();
    for (const it of shown) {
      for (const p of it.points) {
        const row = make("tr", null, table.tBodies[0]);
        make("th", `${it.number}: ${labelOf(it.piece, it.series)}`, row).scope = "row";
        make("td", plot.text(p.x, plot.decimalsFor(p.x, 4)), row, "number");
        make("td", plot.text(p.y, plot.decimalsFor(p.y, 4)), row, "number");
        if (base) {
          const from = it === base || it.reader.at(p.x) === null ? null : base.reader.at(p.x);
          const gap = from === null ? "" : plot.text(it.reader.at(p.x) - from, plot.decimalsFor(from, 4), true);
          make("td", gap, row, "number");
        }
      }
    }
  }

  /* --- choosing ------------------------------------------------------------------------------------- */

  const GROUPS = [
    ["curve", "Curves"],
    ["hold", "Holds"],
    ["soak", "Temperatures in time"],
    ["fit", "Temperatures in time, as fitted"],
  ];

  async function openSession(item) {
    const button = item.querySelector(".overlay-open"), choice = item.querySelector(".overlay-choice");
    if (!choice.hidden) {
      choice.hidden = true;
      button.setAttribute("aria-expanded", "false");
      return;
    }
    try {
      const piece = await load(item.dataset.session);
      if (!choice.firstChild) listChoices(piece, choice);
      choice.hidden = false;
      button.setAttribute("aria-expanded", "true");
    } catch {
      say("The numbers of this session could not be loaded. Its tables are linked beside its title.");
    }
  }

  function listChoices(piece, choice) {
    for (const [kind, words] of GROUPS) {
      const own = piece.series.filter((it) => it.kind === kind);
      if (!own.length) continue;
      const set = make("fieldset", null, choice);
      make("legend", words, set);
      for (const series of own) {
        const label = make("label", null, set);
        const tick = document.createElement("input");
        tick.type = "checkbox";
        tick.value = `${piece.session}~${series.key}`;
        tick.checked = state.chosen.includes(tick.value);
        label.append(tick, ` ${labelOf(piece, series)}`);
      }
    }
  }

  function choose(id, wanted) {
    if (wanted && !state.chosen.includes(id)) {
      if (!state.chosen.length) suitAxes(find(id).series);
      state.chosen.push(id);
    }
    if (!wanted) state.chosen = state.chosen.filter((other) => other !== id);
    if (!state.chosen.includes(state.base)) state.base = "";
    changed();
  }

  /** Axes on which the first thing chosen can be seen. */
  function suitAxes(series) {
    const has = (key) => series.columns[key];
    if (axesChosen && has(state.x) && has(state.y)) return;
    if (has("time")) [state.x, state.y] = ["time", Object.keys(series.columns).find((key) => key !== "time")];
    else if (series.kind === "hold") [state.x, state.y] = ["speed", "power"];
    else [state.x, state.y] = [has("thrust") ? "thrust" : "throttle", "power"];
  }

  function say(words) { get("status").textContent = words; }

  function changed() {
    say("");
    get("axis-x").value = state.x;
    get("axis-y").value = state.y;
    get("standard-air").checked = state.air;
    for (const end of ["from", "to"]) {
      get(`range-${end}`).value = state[end] === null ? "" : String(Number(state[end].toPrecision(6)));
    }
    redraw();
    toAddress();
  }

  /** Take the view from the address: show what is loaded, then load the rest. */
  async function start() {
    const asked = new URLSearchParams(location.search).get("open");
    state = fromAddress();
    const wanted = [...new Set(state.chosen.map((id) => split(id)[0]))];
    if (!state.chosen.length && asked && SAFE.test(asked)) wanted.push(asked);
    const results = await Promise.allSettled(wanted.map(load));
    const before = state.chosen.length;
    state.chosen = state.chosen.filter(find);
    if (!before && pieces.has(asked)) openWhole(pieces.get(asked));
    changed();
    const lost = results.some((it) => it.status === "rejected") || state.chosen.length < before;
    if (lost) say("Some of what this address names is not on this site, or no longer.");
  }

  /** A whole session in its usual view: its curves going up, else its holds, else its temperatures in time. */
  function openWhole(piece) {
    const own = [/^curve~.*~up$/, /^hold~/, /^soak~/].map((form) => piece.series.filter((it) => form.test(it.key)))
      .find((list) => list.length) || [];
    if (!own.length) return;
    suitAxes(own[0]);
    state.chosen = own.map((it) => `${piece.session}~${it.key}`);
    const base = own.find((it) => it.treatment === piece.baseline);
    state.base = base && own.length > 1 && base.kind !== "soak" ? `${piece.session}~${base.key}` : "";
    const item = [...document.querySelectorAll("[data-session]")].find((it) => it.dataset.session === piece.session);
    if (item) openSession(item);
  }

  /* --- events ---------------------------------------------------------------------------------------- */

  for (const axis of ["x", "y"]) {
    get(`axis-${axis}`).addEventListener("change", (event) => {
      state[axis] = event.target.value;
      axesChosen = true;
      if (axis === "x") state.at = state.from = state.to = null;
      changed();
    });
  }
  get("baseline").addEventListener("change", (event) => { state.base = event.target.value; changed(); });
  get("standard-air").addEventListener("change", (event) => { state.air = event.target.checked; changed(); });
  for (const end of ["from", "to"]) {
    get(`range-${end}`).addEventListener("change", (event) => {
      state[end] = event.target.value === "" || !Number.isFinite(event.target.valueAsNumber) ? null : event.target.valueAsNumber;
      changed();
    });
  }
  /** Read at x; in as many digits as the address holds, so that whoever is sent it reads the same. */
  function readAt(x) {
    state.at = Number(x.toPrecision(5));
    state.at = place();
    slider.value = String(state.at);
    read();
  }

  slider.addEventListener("input", () => readAt(Number(slider.value)));
  slider.addEventListener("change", () => { sayDifference(); toAddress(); });
  // arrow keys of a slider without steps move by little; give them a hundredth of the range
  slider.addEventListener("keydown", (event) => {
    const way = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1, PageDown: -10, PageUp: 10 }[event.key];
    if (!way) return;
    event.preventDefault();
    readAt(place() + (way * (Number(slider.max) - Number(slider.min))) / 100);
    sayDifference();
    toAddress();
  });
  function point(event) {
    if (!drawn || (event.type === "pointermove" && event.pointerType !== "mouse" && !event.buttons)) return;
    readAt(drawn.toValue(event.clientX));
  }
  box.addEventListener("pointermove", point);
  box.addEventListener("pointerdown", point);
  for (const name of ["pointerup", "pointerleave"]) {
    box.addEventListener(name, () => { if (drawn && state.at !== null) { sayDifference(); toAddress(); } });
  }
  rows.addEventListener("click", (event) => {
    const button = event.target.closest(".overlay-away");
    if (!button) return;
    choose(button.value, false);
    (rows.querySelector(".overlay-away") || get("axis-y")).focus();
  });
  document.querySelector(".overlay-sessions").addEventListener("click", (event) => {
    const button = event.target.closest(".overlay-open");
    if (button) openSession(button.closest("[data-session]"));
  });
  document.querySelector(".overlay-sessions").addEventListener("change", (event) => {
    if (event.target.type === "checkbox") choose(event.target.value, event.target.checked);
  });
  get("take-all-away").addEventListener("click", () => { state = { ...empty(), x: state.x, y: state.y }; changed(); });
  get("copy-address").addEventListener("click", async () => {
    try {
      await navigator.clipboard.writeText(location.href);
      say("The address of this view is copied.");
    } catch {
      say(`Copy it from here: ${location.href}`);
    }
  });
  get("numbers").addEventListener("toggle", () => { if (get("numbers").open) listNumbers(); });
  document.addEventListener("whirlbook-units", () => { takeUnits(); changed(); });
  window.addEventListener("hashchange", () => { if (location.hash.slice(1) !== written) start(); });
  let width = box.clientWidth;
  new ResizeObserver(() => {
    if (box.clientWidth === width) return;
    width = box.clientWidth;
    redraw();
  }).observe(box);

  start();
})();
