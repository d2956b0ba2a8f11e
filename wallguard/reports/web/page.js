"use strict";
(function () {
  const data = JSON.parse(document.getElementById("data").textContent);
  const byId = (id) => document.getElementById(id);
  const items = Array.from(document.querySelectorAll(".finding"));
  const folds = Array.from(document.querySelectorAll("#findings details"));
  const stage = byId("stage"), ring = byId("ring"), pins = byId("pins");
  const picker = byId("shape"), filters = byId("filters");
  const grey = [164, 172, 180], ways = ["outcome", "thickness", "underside"];
  let way = "outcome", shownPart = -1, chosen = -1, shape = null, asked = 0;
  const unpackedParts = new Map();

  // What reports/packing.py packs.
  async function unpacked(text) {
    const raw = atob(text), bytes = new Uint8Array(raw.length);
    for (let i = 0; i < raw.length; i++) bytes[i] = raw.charCodeAt(i);
    const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
    return new Uint8Array(await new Response(stream).arrayBuffer());
  }
  // Words from `from` on: low bytes, then high ones.
  function words(bytes, from, count) {
    const found = new Uint16Array(count);
    for (let i = 0; i < count; i++) found[i] = bytes[from + i] | bytes[from + count + i] << 8;
    return found;
  }
  // Rows of so many differences, put beside each other.
  function summed(steps, rows) {
    const count = steps.length / rows, found = new Uint16Array(steps.length);
    for (let row = 0; row < rows; row++) {
      for (let i = 0, last = 0; i < count; i++) {
        const step = steps[row * count + i];
        last = last + (step & 1 ? -(step + 1) / 2 : step / 2) & 65535;
        found[rows * i + row] = last;
      }
    }
    return found;
  }
  async function load(number) {
    const part = data.parts[number], surface = data.surfaces[part.surface];
    const [vertices, corners, edges] = surface.counts;
    const bytes = await unpacked(surface.packed), said = await unpacked(part.packed);
    const newest = words(bytes, 2 * vertices, corners);
    for (let i = 0, next = 0; i < corners; i++) {
      newest[i] = next - newest[i];
      next = Math.max(next, newest[i] + 1);
    }
    const count = corners / 3;
    return { low: surface.low, high: surface.high, up: part.up, steps: data.steps,
      vertices: summed(words(bytes, 0, vertices), 3), triangles: newest,
      edges: summed(words(bytes, 2 * vertices + 2 * corners, edges), 2),
      thickness: summed(words(said, 0, count), 1),
      outcomes: said.subarray(2 * count, 3 * count), undersides: said.subarray(3 * count) };
  }

  // Colours, and the pattern that goes with each: see the numbers in view.js.
  const rgb = (colour) => colour.match(/[\da-f]{2}/gi).map((n) => parseInt(n, 16));
  function cividis(share) {
    const stops = data.cividis, at = Math.min(Math.max(share, 0), 1) * (stops.length - 1);
    const low = Math.min(Math.floor(at), stops.length - 2);
    const a = rgb(stops[low]), b = rgb(stops[low + 1]);
    return a.map((v, i) => Math.round(v + (b[i] - v) * (at - low)));
  }
  const RAMP = [7, 8, 9, 10, 0];
  const spread = (shape) => {
    let thin = Infinity, thick = 0;
    for (const value of shape.thickness) if (value) {
      thin = Math.min(thin, value); thick = Math.max(thick, value);
    }
    return { thin, thick, step: (thick - thin) / RAMP.length };
  };
  // Undersides in steps of so many half degrees; the last reaches to upright.
  const STEPS = [0, 30, 60, 90, 120, 180], NONE = 255;
  function colours(shape) {
    const found = new Uint8Array(4 * shape.outcomes.length), { thin, step } = spread(shape);
    for (let at = 0; at < shape.outcomes.length; at++) {
      let colour = grey, pattern = 0;
      const value = shape.thickness[at], angle = shape.undersides[at];
      if (way === "thickness" && value) {
        colour = cividis(step ? (value - thin) / step / RAMP.length : 0);
        pattern = step ? RAMP[Math.min(Math.floor((value - thin) / step), 4)] : 0;
      } else if (way === "underside" && angle !== NONE) {
        colour = cividis(angle / 180);
        pattern = RAMP[Math.min(STEPS.findIndex((edge) => edge > angle) - 1, 4)];
      } else if (way === "outcome" && shape.outcomes[at]) {
        const outcome = data.outcomes[shape.outcomes[at] - 1];
        colour = rgb(outcome.colour);
        pattern = outcome.pattern;
      }
      found.set(colour, 4 * at);
      found[4 * at + 3] = pattern;
    }
    return found;
  }
  // A sample of a ramp: its colours from side to side, and its pattern.
  function sample(low, high, pattern) {
    const canvas = document.createElement("canvas");
    canvas.className = "swatch";
    canvas.width = 52;
    canvas.height = 32;
    const pen = canvas.getContext("2d"), ground = pen.createLinearGradient(0, 0, 52, 0);
    for (const [stop, share] of [[0, low], [1, high]]) {
      ground.addColorStop(stop, "rgb(" + cividis(share).join(",") + ")");
    }
    pen.fillStyle = ground;
    pen.fillRect(0, 0, 52, 32);
    const [r, g, b] = cividis((low + high) / 2);
    pen.strokeStyle = pen.fillStyle = 0.3 * r + 0.59 * g + 0.11 * b < 115 ? "#fff" : "#000";
    pen.lineWidth = 2;
    pen.beginPath();
    for (let i = -32; i < 52; i += 14) {
      if (pattern === 7 || pattern === 8) { pen.moveTo(i, 32); pen.lineTo(i + 32, 0); }
      if (pattern === 7) { pen.moveTo(i, 0); pen.lineTo(i + 32, 32); }
      if (pattern === 9) { pen.moveTo(0, i); pen.lineTo(52, i); }
    }
    pen.stroke();
    if (pattern === 10) for (let x = 6; x < 52; x += 13) for (let y = 5; y < 32; y += 11) {
      pen.fillRect(x, y, 4, 4);
    }
    return canvas;
  }
  function entry(key, picture, words) {
    const line = document.createElement("li");
    line.append(picture, " " + words);
    byId(key).querySelector("ul").append(line);
  }
  function plain() {
    const made = document.createElement("span");
    made.className = "plain";
    return made;
  }
  function legend(shape) {
    for (const each of ways) {
      byId("key-" + each).hidden = each !== way;
      byId("by-" + each).setAttribute("aria-pressed", String(each === way));
    }
    const seen = new Set(shape.outcomes);
    for (const line of byId("key-outcome").querySelectorAll("li")) {
      line.hidden = !seen.has(data.outcomes.findIndex((one) => one.name === line.dataset.outcome) + 1);
    }
    byId("key-thickness").querySelector("ul").textContent = "";
    byId("key-underside").querySelector("ul").textContent = "";
    const { thin, thick, step } = spread(shape), mm = (value) => (value / 100).toFixed(2);
    if (!thick) entry("key-thickness", plain(), "no walls");
    else if (!step) entry("key-thickness", sample(0, 0, 0), mm(thin) + " mm");
    else RAMP.forEach((pattern, i) => entry("key-thickness", sample(i / 5, (i + 1) / 5, pattern),
      mm(thin + i * step) + " to " + mm(thin + (i + 1) * step) + " mm"));
    if (thick) entry("key-thickness", plain(), "thicker, or no wall");
    RAMP.forEach((pattern, i) => entry("key-underside",
      sample(STEPS[i] / 180, STEPS[i + 1] / 180, pattern),
      STEPS[i] / 2 + "° to " + STEPS[i + 1] / 2 + "°"));
    entry("key-underside", plain(), "looks up or sideways, or lies on the build surface");
  }

  function say(text) {
    byId("trouble").textContent = text;
    byId("trouble").hidden = !text;
    stage.classList.toggle("empty", Boolean(text));
  }
  const thousands = (number) => String(number).replace(/\B(?=(\d{3})+$)/g, " ");
  const able = typeof DecompressionStream === "function";
  const view = able ? partView(byId("plot"), byId("over"), changed) : null;

  // What the page's tests and styles know of the view, and the marks in front of it.
  function changed() {
    const { target, round, rise, far } = view.camera, text = (v) => v.toFixed(3);
    stage.dataset.eye = [round, rise, far].map(text).join(" ");
    stage.dataset.center = target.map(text).join(" ");
    stage.dataset.whole = String(Boolean(view.camera.whole));
    stage.dataset.part = String(shownPart);
    const numbered = []; // a number that would lie on another is a dot
    for (const pin of [ring, ...pins.children]) {
      const at = pin.place && view.project(pin.place);
      pin.hidden = !at;
      if (!at) continue;
      pin.style.transform = `translate(${at[0].toFixed(1)}px, ${at[1].toFixed(1)}px)`;
      const over = numbered.some((other) => Math.hypot(other[0] - at[0], other[1] - at[1]) < 24);
      pin.classList.toggle("dot", over);
      if (!over) numbered.push(at);
    }
  }
  function mark() {
    const finding = data.findings[chosen], here = finding && finding.part === shownPart;
    view.mark(here ? finding.box : null, here ? finding.places : []);
    stage.dataset.places = here ? String(finding.places.length) : "0";
    ring.place = here ? finding.places[0] || finding.at : null;
    ring.dataset.number = String(chosen + 1);
    pins.textContent = "";
    data.findings.forEach((other, at) => {
      if (at === chosen || other.part !== shownPart || !other.at || items[at].hidden) return;
      if (pins.children.length >= data.pins) return;
      const pin = document.createElement("button");
      pin.type = "button";
      pin.tabIndex = -1; // the list has all of them for the keyboard
      pin.className = "pin " + items[at].dataset.severity;
      pin.textContent = String(at + 1);
      pin.title = items[at].querySelector(".message").textContent;
      pin.setAttribute("aria-label", "Finding " + (at + 1) + ": " + pin.title);
      pin.place = other.places[0] || other.at;
      pin.addEventListener("click", () => choose(at, true, true));
      pins.append(pin);
    });
  }

  async function draw(near, smooth) {
    const part = data.parts[shownPart], own = ++asked;
    byId("note").textContent = byId("read").textContent = "";
    if (!part || part.surface === undefined) {
      say(part && part.why === "bare" ? "This page has room for a 3D view of some parts only, and "
        + "this is none of them: the list and the sections show it." : "This part could not be "
        + "shown in 3D.");
      shape = null;
    } else if (!view) {
      say("Parts are shown in 3D by WebGL 2, which this browser does not offer. The list and the "
        + "sections work without it.");
    } else {
      say("");
      try {
        if (!unpackedParts.has(shownPart)) unpackedParts.set(shownPart, load(shownPart));
        const found = await unpackedParts.get(shownPart);
        if (own !== asked) return;
        const other = shape !== found;
        if (other) view.show(found);
        shape = found;
        view.tint(colours(shape));
        legend(shape);
        byId("note").textContent = (part.simplified ? "Simplified for view: "
          + thousands(shape.triangles.length / 3) + " triangles for " + thousands(part.drawn)
          + " in the file. It was checked whole. " : "") + (part.scale === 1 ? ""
          : "Printed at " + Number(part.scale.toPrecision(6)) + " of the size in the file.");
        mark();
        if (near) view.look(sight(data.findings[chosen]), smooth && !other);
        else if (other || near === null) view.look(whole(), smooth && !other);
        if (!stage.dataset.ready) stage.dataset.took = String(Math.round(performance.now()));
      } catch (error) {
        shape = null;
        say("This part could not be shown in 3D.");
      }
    }
    stage.dataset.part = String(shownPart);
    stage.dataset.ready = String(Number(stage.dataset.ready || 0) + 1);
  }

  // The whole part, a little from above; where the worst lies below, from there.
  function side() {
    const up = view.mesh.up, low = Math.abs(up[2]) > 0.9 ? [0.62, -0.78, 0]
      : Math.abs(up[1]) > 0.9 ? [0.62, 0, 0.78] : [0, -0.78, 0.62];
    return low.map((v, i) => v + 0.55 * up[i]);
  }
  const below = (finding) => ["underside", "floor", "island", "footing"].includes(finding.sort);
  function whole() {
    const finding = data.findings[chosen], { round, rise } = view.turned(side());
    const from = finding && finding.part === shownPart && below(finding) ? -0.5 * rise : rise;
    return view.whole(round, from);
  }
  // From where a place is seen best: into a hole along it, at what looks down from below, else from
  // that side of the part on which it lies; of these the first that nothing hides.
  function sight(finding) {
    const { up, middle, size } = view.mesh, usual = side(), at = finding.at;
    const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
    const mixed = (a, b, by) => a.map((v, i) => v + by * b[i]);
    if (finding.places.length) return whole();
    const off = at.map((v, i) => (v - middle[i]) / size), flat = mixed(off, up, -dot(off, up));
    const away = mixed(usual, flat, 4), sides = [away, usual];
    let spot = at;
    if (finding.axis) {
      const sign = dot(finding.axis, usual) < 0 ? -1 : 1;
      const axis = finding.axis.map((v) => sign * v);
      spot = mixed(at, axis, finding.long / 2);
      sides.unshift(mixed(axis, usual, 0.35));
    } else if (below(finding)) sides.unshift(mixed(away, up, -1.9), mixed(flat, up, -1));
    const turned = (by) => {
      const along = mixed(usual, up, -dot(usual, up)), across = [up[1] * along[2] - up[2] * along[1],
        up[2] * along[0] - up[0] * along[2], up[0] * along[1] - up[1] * along[0]];
      return mixed(along.map((v) => v * Math.cos(by)), across, Math.sin(by));
    };
    for (const rise of [0.55, 0.1, -0.6, 3]) for (let by = 0; by < 8; by++) {
      sides.push(mixed(turned(by * Math.PI / 4), up, rise));
    }
    const long = finding.box ? Math.hypot(...finding.box[1].map((v, i) => v - finding.box[0][i])) : 0;
    return view.near(spot, sides, Math.max(1.4 * long, 0.3 * size), 1.5 * finding.thick + 0.01 * size);
  }

  function choose(at, open, near, sightly) {
    const before = chosen;
    chosen = at;
    items.forEach((item, number) => {
      const on = number === at && open;
      item.classList.toggle("chosen", number === at);
      item.querySelector("button").setAttribute("aria-expanded", String(on));
      item.querySelector(".detail").hidden = !on;
    });
    if (open && near) {
      for (let up = items[at].closest("details"); up; up = up.parentElement.closest("details")) {
        up.open = true;
      }
      // First what is far down, then what must be seen of it.
      items[at].querySelector(".detail").scrollIntoView({ block: "nearest" });
      if (sightly) items[at].querySelector(".section, .detail p").scrollIntoView({ block: "nearest" });
    }
    const finding = data.findings[at];
    if (!finding || finding.part < 0) return;
    if (before === at && shownPart === finding.part && !open) return;
    shownPart = finding.part;
    picker.value = String(shownPart);
    draw(near && finding.at ? true : null, true);
  }
  const seen = (each) => each.offsetParent !== null;
  const visible = () => items.filter((item) => !item.hidden);

  items.forEach((item, at) => {
    const button = item.querySelector("button");
    button.addEventListener("click", () =>
      choose(at, !(chosen === at && button.getAttribute("aria-expanded") === "true"), true, true));
  });
  byId("findings").addEventListener("keydown", (event) => {
    const every = Array.from(byId("findings").querySelectorAll(".finding > button, summary"));
    const stops = every.filter(seen), here = stops.indexOf(event.target);
    const to = { ArrowDown: here + 1, ArrowUp: here - 1, Home: 0, End: stops.length - 1 }[event.key];
    if (to === undefined || here < 0) return;
    event.preventDefault();
    if (stops[to]) stops[to].focus();
  });

  if (filters) {
    filters.hidden = false;
    const open = folds.map((fold) => fold.open);
    const sift = () => {
      const form = new FormData(filters), severities = form.getAll("severity");
      const text = String(form.get("text") || "").toLowerCase();
      for (const item of items) {
        const of = item.dataset;
        const kept = severities.includes(of.severity)
          && ["check", "part", "state"].every((key) => !form.get(key) || form.get(key) === of[key])
          && (!text || (of.part + " " + item.querySelector("button").textContent).toLowerCase()
            .includes(text));
        item.hidden = !kept;
      }
      const shown = visible().length, all = shown === items.length;
      folds.forEach((fold, at) => {
        const any = Boolean(fold.querySelector(".finding:not([hidden])"));
        fold.hidden = !any;
        fold.open = all ? open[at] : any;
      });
      byId("count").textContent = all ? shown + (shown === 1 ? " finding" : " findings")
        : shown + " of " + items.length + " findings";
      if (shape) mark();
    };
    filters.addEventListener("input", sift);
    filters.addEventListener("submit", (event) => event.preventDefault());
    sift();
  }

  for (const each of ways) {
    byId("by-" + each).addEventListener("click", () => { way = each; draw(); });
  }
  byId("whole").addEventListener("click", () => { if (shape) view.look(whole(), true); });
  picker.addEventListener("change", () => { shownPart = Number(picker.value); draw(null); });

  // What lies where one points: under a tap, or in the middle at Enter.
  function read(found) {
    if (!found || !shape) { byId("read").textContent = ""; return; }
    const at = found.triangle, outcome = shape.outcomes[at], angle = shape.undersides[at];
    const place = "(" + found.point.map((v) => v.toFixed(1)).join(", ") + ")";
    const wall = !shape.thickness[at] ? "thicker than asked for, or no wall" : "wall about "
      + (shape.thickness[at] / 100).toFixed(2) + " mm thick as drawn"
      + (outcome ? ": " + data.outcomes[outcome - 1].words : "");
    byId("read").textContent = "At " + place + ": " + wall
      + (angle === NONE ? "" : "; underside " + Math.round(angle / 2) + "° from level") + ".";
  }
  stage.addEventListener("picked", (event) => read(event.detail));
  stage.addEventListener("keydown", (event) => {
    if (event.target !== stage || !shape) return;
    if (event.key === "Enter") read(view.pick());
    else if (event.key === "Home") view.look(whole(), true);
    else if (!view.key(event)) return;
    event.preventDefault();
  });
  window.addEventListener("beforeprint", () => {
    folds.forEach((fold) => { fold.open = true; });
    items.forEach((item) => { item.querySelector(".detail").hidden = false; });
  });

  if (data.parts.length) {
    byId("space").hidden = false;
    if (items.length) choose(0, true, false);
    else { shownPart = 0; draw(null); }
  }
})();
