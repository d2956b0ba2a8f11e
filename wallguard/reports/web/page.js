"use strict";
(function () {
  const data = JSON.parse(document.getElementById("data").textContent);
  const byId = (id) => document.getElementById(id);
  const items = Array.from(document.querySelectorAll(".finding"));
  const stage = byId("stage"), plot = byId("plot"), ring = byId("ring");
  const picker = byId("shape"), filters = byId("filters");
  const grey = "#a4acb4", byThickness = { on: false };
  let shownPart = -1, chosen = -1, frame = null, camera = null, drawn = Promise.resolve();

  // Numbers from the page's data.
  function bytes(text) {
    const raw = atob(text), found = new Uint8Array(raw.length);
    for (let i = 0; i < raw.length; i++) found[i] = raw.charCodeAt(i);
    return new DataView(found.buffer);
  }
  function words(text) {
    const view = bytes(text), found = new Uint16Array(view.byteLength / 2);
    for (let i = 0; i < found.length; i++) found[i] = view.getUint16(2 * i, true);
    return found;
  }
  function axis(packed, which, surface) {
    const found = new Array(packed.length / 3);
    const low = surface.low[which], room = surface.high[which] - low;
    for (let i = 0; i < found.length; i++) found[i] = low + packed[3 * i + which] / 65535 * room;
    return found;
  }

  // Vectors.
  const add = (a, b, by) => a.map((v, i) => v + by * b[i]);
  const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
  const cross = (a, b) => [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2],
    a[0] * b[1] - a[1] * b[0]];
  const unit = (a) => { const s = Math.hypot(...a) || 1; return a.map((v) => v / s); };
  const turned = (v, k, by) => add(add(v.map((c) => c * Math.cos(by)), cross(k, v), Math.sin(by)),
    k, dot(k, v) * (1 - Math.cos(by)));
  const point = (a) => ({ x: a[0], y: a[1], z: a[2] });
  const list = (p) => [p.x, p.y, p.z];

  // Where the scene's own coordinates lie: the longest side of the part is 1 there.
  function frameOf(surface) {
    const middle = surface.low.map((v, i) => (v + surface.high[i]) / 2);
    const size = Math.max(...surface.high.map((v, i) => v - surface.low[i]), 1e-6);
    return { middle, size, place: (p) => p.map((v, i) => (v - middle[i]) / size) };
  }
  function outward(up) {
    const side = Math.abs(up[2]) > 0.9 ? [0.62, -0.78, 0] : Math.abs(up[1]) > 0.9
      ? [0.62, 0, 0.78] : [0, -0.78, 0.62];
    return unit(add(side, up, 0.55));
  }
  function wholeCamera(part) {
    const surface = data.surfaces[part.surface], away = outward(part.up);
    const right = unit(cross(part.up, away)), top = cross(away, right);
    // As near as all corners of its box are still seen; half of the view's height is 22.5 degrees.
    const high = 0.9 * Math.tan(Math.PI / 8), wide = high * stage.clientWidth / stage.clientHeight;
    let far = 0.2;
    for (let corner = 0; corner < 8; corner++) {
      const at = frameOf(surface).place(surface.low.map((v, i) =>
        corner >> i & 1 ? surface.high[i] : v));
      const reach = Math.max(Math.abs(dot(at, top)) / high, Math.abs(dot(at, right)) / wide);
      far = Math.max(far, dot(at, away) + reach);
    }
    const eye = away.map((v) => far * v);
    return { center: point([0, 0, 0]), eye: point(eye), up: point(part.up),
      projection: { type: "perspective" } };
  }
  // Where to look, and from where: at the mouth of a hole along it, at a floor from below, else
  // from the side of the part on which the place lies.
  function sight(part, finding) {
    const side = outward(part.up), at = finding.at;
    if (finding.kind === "hole" && finding.box) {
      const size = finding.box[1].map((v, i) => v - finding.box[0][i]);
      const odd = size.map((v, i) => Math.abs(2 * v - size[(i + 1) % 3] - size[(i + 2) % 3]));
      const which = odd.indexOf(Math.max(...odd)), axis = [0, 0, 0];
      axis[which] = side[which] < 0 ? -1 : 1;
      return { spot: add(at, axis, size[which] / 2), away: unit(add(axis, side, 0.35)) };
    }
    if (finding.kind === "floor") return { spot: at, away: unit(add(side, part.up, -1.6)) };
    const from = frame.place(at), flat = add(from, part.up, -dot(from, part.up));
    const weight = 1.6 * Math.min(1, Math.hypot(...flat) / 0.2);
    return { spot: at, away: unit(add(side, unit(flat), weight)) };
  }
  function placeCamera(part, finding) {
    const seen = sight(part, finding), at = frame.place(seen.spot);
    let reach = 0.3;
    if (finding.box) {
      const size = Math.hypot(...finding.box[1].map((v, i) => v - finding.box[0][i]));
      reach = Math.min(Math.max(0.75 * size / frame.size, 0.3), 0.95);
    }
    return { center: point(at), eye: point(add(at, seen.away, reach)), up: point(part.up),
      projection: { type: "perspective" } };
  }

  function rgb(colour) {
    const numbers = colour.match(/[\da-f]{2}/gi);
    return colour[0] === "#" ? numbers.map((n) => parseInt(n, 16))
      : colour.match(/\d+/g).map(Number);
  }
  function cividis(share) {
    const stops = data.cividis, at = Math.min(Math.max(share, 0), 1) * (stops.length - 1);
    const low = Math.min(Math.floor(at), stops.length - 2);
    const a = rgb(stops[low]), b = rgb(stops[low + 1]);
    return "rgb(" + a.map((v, i) => Math.round(v + (b[i] - v) * (at - low))).join(",") + ")";
  }

  function hatch(part, surface, name) {
    const packed = words(part.hatches[name]);
    const found = [0, 1, 2].map((which) => {
      const ends = axis(packed, which, surface), out = [];
      for (let i = 0; i < ends.length; i += 2) out.push(ends[i], ends[i + 1], null);
      return out;
    });
    return { type: "scatter3d", mode: "lines", x: found[0], y: found[1], z: found[2],
      hoverinfo: "skip", line: { color: name === "missing" ? "#d55e00"
        : name === "indeterminate" ? "#000000" : "#ffffff", width: 3 } };
  }
  function boxLines(finding, surface) {
    const pad = 0.004 * frame.size, low = finding.box[0].map((v) => v - pad);
    const high = finding.box[1].map((v) => v + pad), x = [], y = [], z = [];
    for (let a = 0; a < 3; a++) for (const u of [low, high]) for (const v of [low, high]) {
      for (const w of [low, high]) {
        const p = []; p[a] = w[a]; p[(a + 1) % 3] = u[(a + 1) % 3]; p[(a + 2) % 3] = v[(a + 2) % 3];
        x.push(p[0]); y.push(p[1]); z.push(p[2]);
      }
      x.push(null); y.push(null); z.push(null);
    }
    return { type: "scatter3d", mode: "lines", x, y, z, hoverinfo: "skip",
      line: { color: "#000000", width: 4 } };
  }

  // All places of a group at once, just above the part.
  function markers(finding) {
    const up = data.parts[shownPart].up, off = 0.015 * frame.size;
    const of = (which) => finding.places.map((p) => p[which] + off * up[which]);
    return { type: "scatter3d", mode: "markers", x: of(0), y: of(1), z: of(2), hoverinfo: "skip",
      marker: { symbol: "diamond", size: 6, color: "#000000", line: { color: "#ffffff", width: 2 } } };
  }

  function say(text) {
    byId("trouble").textContent = text;
    byId("trouble").hidden = !text;
    plot.hidden = Boolean(text);
    if (text) ring.hidden = true;
  }
  function thousands(number) { return String(number).replace(/\B(?=(\d{3})+$)/g, " "); }

  function traces(part, surface) {
    const packed = words(surface.vertices), corners = words(surface.triangles);
    const outcomes = bytes(part.outcomes), thickness = words(part.thickness);
    const count = corners.length / 3, i = [], j = [], k = [], colours = [];
    let thin = Infinity, thick = 0;
    for (const value of thickness) if (value) {
      thin = Math.min(thin, value); thick = Math.max(thick, value);
    }
    const seen = new Set(), known = new Map();
    for (let at = 0; at < count; at++) {
      i.push(corners[3 * at]); j.push(corners[3 * at + 1]); k.push(corners[3 * at + 2]);
      const outcome = outcomes.getUint8(at), value = thickness[at];
      seen.add(outcome);
      let colour = grey;
      if (value && byThickness.on) {
        if (!known.has(value)) known.set(value, cividis((value - thin) / (thick - thin || 1)));
        colour = known.get(value);
      } else if (outcome && !byThickness.on) colour = data.outcomes[outcome - 1].colour;
      colours.push(colour);
    }
    byId("key-outcome").hidden = byThickness.on;
    byId("key-thickness").hidden = !byThickness.on;
    for (const line of byId("key-outcome").querySelectorAll("li")) {
      const number = data.outcomes.findIndex((one) => one.name === line.dataset.outcome) + 1;
      line.hidden = !seen.has(number);
    }
    const walls = Number.isFinite(thin);
    byId("thin").textContent = walls ? (thin / 100).toFixed(2) + " mm" : "no walls";
    byId("thick").textContent = walls && thick > thin ? (thick / 100).toFixed(2) + " mm" : "";
    byId("ramp").hidden = !walls || thick === thin;
    byId("ramp").style.background = "linear-gradient(to right," + data.cividis.join(",") + ")";
    const found = [{ type: "mesh3d", x: axis(packed, 0, surface), y: axis(packed, 1, surface),
      z: axis(packed, 2, surface), i, j, k, facecolor: colours, flatshading: true,
      hoverinfo: "skip", lighting: { ambient: 0.8, diffuse: 0.32, specular: 0.05,
        roughness: 0.9, fresnel: 0.05, vertexnormalsepsilon: 1e-12, facenormalsepsilon: 1e-12 },
      lightposition: { x: 4000, y: -6000, z: 9000 } }];
    if (!byThickness.on) {
      for (const name of Object.keys(part.hatches)) found.push(hatch(part, surface, name));
    }
    const finding = data.findings[chosen];
    const here = finding && finding.part === shownPart;
    if (here && finding.box) found.push(boxLines(finding, surface));
    if (here && finding.places.length) found.push(markers(finding));
    stage.dataset.places = here ? String(finding.places.length) : "0";
    return found;
  }

  function draw(view) {
    const part = data.parts[shownPart];
    byId("note").textContent = "";
    if (!part || part.surface === undefined) {
      say(part && part.why === "bare" ? "Only the first " + data.most + " parts have a 3D view "
        + "on this page: the list and the sections have the others." : "This part could not be shown "
        + "in 3D.");
      return;
    }
    if (!canDraw()) {
      say("Parts are shown in 3D by WebGL, which this browser does not offer. The list and the "
        + "sections work without it.");
      return;
    }
    say("");
    const surface = data.surfaces[part.surface];
    frame = frameOf(surface);
    camera = view || camera || wholeCamera(part);
    const count = atob(surface.triangles).length / 6;
    byId("note").textContent = (part.simplified ? "Simplified for view: " + thousands(count)
      + " triangles for " + thousands(part.drawn) + " in the file. It was checked whole. " : "")
      + (part.scale === 1 ? "" : "Printed at " + Number(part.scale.toPrecision(6))
      + " of the size in the file.");
    const side = (which) => ({ visible: false, range: [
      frame.middle[which] - Math.max((surface.high[which] - surface.low[which]) / 2, 1e-4 * frame.size),
      frame.middle[which] + Math.max((surface.high[which] - surface.low[which]) / 2, 1e-4 * frame.size)],
      autorange: false });
    const axes = [side(0), side(1), side(2)];
    const ratio = axes.map((one) => (one.range[1] - one.range[0]) / frame.size);
    // A little more room than the part needs, or lines just off its surface would be cut off.
    axes.forEach((one, which) => {
      one.range = [one.range[0] - 0.02 * frame.size, one.range[1] + 0.02 * frame.size];
      ratio[which] += 0.04;
    });
    const layout = { margin: { l: 0, r: 0, t: 0, b: 0 }, showlegend: false, autosize: true,
      paper_bgcolor: "#e6ebef", scene: { xaxis: axes[0], yaxis: axes[1], zaxis: axes[2],
        aspectmode: "manual", aspectratio: point(ratio), camera, dragmode: "orbit" } };
    drawn = drawn.then(() => Plotly.react(plot, traces(part, surface), layout,
      { displayModeBar: false, responsive: true, scrollZoom: true })).then(() => {
      if (!plot.dataset.heard) {
        plot.dataset.heard = "1";
        plot.on("plotly_relayout", () => { camera = plot.layout.scene.camera; aim(); });
      }
      aim();
      stage.dataset.ready = String(Number(stage.dataset.ready || 0) + 1);
    }).catch(() => say("This part could not be shown in 3D."));
  }
  let able = null;
  function canDraw() {
    if (able === null) {
      try {
        const canvas = document.createElement("canvas");
        able = Boolean(canvas.getContext("webgl") || canvas.getContext("experimental-webgl"));
      } catch (error) { able = false; }
    }
    return able;
  }
  // The ring stands where the camera looks, as long as that is the chosen place.
  function aim() {
    const finding = data.findings[chosen];
    const there = finding && finding.at && finding.part === shownPart && camera && frame;
    const off = there ? Math.hypot(...add(list(camera.center),
      frame.place(sight(data.parts[shownPart], finding).spot), -1)) : 1;
    ring.hidden = off > 1e-3;
    ring.dataset.number = String(chosen + 1);
    stage.dataset.eye = camera ? list(camera.eye).map((v) => v.toFixed(3)).join(" ") : "";
    stage.dataset.center = camera ? list(camera.center).map((v) => v.toFixed(3)).join(" ") : "";
    stage.dataset.part = String(shownPart);
  }
  function look(view) {
    if (plot.hidden || !plot.layout) return;
    camera = view;
    drawn = drawn.then(() => Plotly.relayout(plot, { "scene.camera": view })).then(aim);
  }

  function choose(at, open) {
    const before = chosen;
    chosen = at;
    items.forEach((item, number) => {
      const on = number === at && open;
      item.classList.toggle("chosen", number === at);
      item.querySelector("button").setAttribute("aria-expanded", String(on));
      item.querySelector(".detail").hidden = !on;
    });
    const finding = data.findings[at];
    if (!finding || finding.part < 0) return;
    if (before === at && shownPart === finding.part && !open) return;
    shownPart = finding.part;
    picker.value = String(shownPart);
    const part = data.parts[shownPart];
    if (part && part.surface !== undefined) {
      frame = frameOf(data.surfaces[part.surface]);
      draw(finding.at && !finding.places.length ? placeCamera(part, finding) : wholeCamera(part));
    } else draw(null);
  }
  const visible = () => items.filter((item) => !item.hidden);

  items.forEach((item, at) => {
    const button = item.querySelector("button");
    button.addEventListener("click", () =>
      choose(at, !(chosen === at && button.getAttribute("aria-expanded") === "true")));
    button.addEventListener("keydown", (event) => {
      const shown = visible(), here = shown.indexOf(item);
      const to = { ArrowDown: here + 1, ArrowUp: here - 1, Home: 0, End: shown.length - 1 }[event.key];
      if (to === undefined) return;
      event.preventDefault();
      if (shown[to]) shown[to].querySelector("button").focus();
    });
  });

  if (filters) {
    filters.hidden = false;
    const sift = () => {
      const form = new FormData(filters), severities = form.getAll("severity");
      const text = String(form.get("text") || "").toLowerCase();
      for (const item of items) {
        const of = item.dataset;
        const kept = severities.includes(of.severity)
          && ["check", "part", "state"].every((key) => !form.get(key) || form.get(key) === of[key])
          && (!text || item.querySelector("button").textContent.toLowerCase().includes(text));
        item.hidden = !kept;
      }
      const shown = visible().length;
      byId("count").textContent = shown === items.length
        ? shown + (shown === 1 ? " finding" : " findings")
        : shown + " of " + items.length + " findings";
    };
    filters.addEventListener("input", sift);
    filters.addEventListener("submit", (event) => event.preventDefault());
    sift();
  }

  function paint(on) {
    byThickness.on = on;
    byId("by-thickness").setAttribute("aria-pressed", String(on));
    byId("by-outcome").setAttribute("aria-pressed", String(!on));
    draw(null);
  }
  byId("by-thickness").addEventListener("click", () => paint(true));
  byId("by-outcome").addEventListener("click", () => paint(false));
  function whole() {
    const part = data.parts[shownPart];
    if (part && part.up) look(wholeCamera(part));
  }
  byId("whole").addEventListener("click", whole);
  picker.addEventListener("change", () => {
    shownPart = Number(picker.value);
    const part = data.parts[shownPart];
    draw(part && part.up ? wholeCamera(part) : null);
  });
  stage.addEventListener("keydown", (event) => {
    if (!camera || plot.hidden) return;
    const center = list(camera.center), up = unit(list(camera.up));
    const arm = add(list(camera.eye), center, -1), right = unit(cross(arm, up));
    const step = Math.PI / 18;
    let to = null;
    if (event.key === "ArrowLeft") to = turned(arm, up, -step);
    else if (event.key === "ArrowRight") to = turned(arm, up, step);
    else if (event.key === "ArrowUp") to = turned(arm, right, step);
    else if (event.key === "ArrowDown") to = turned(arm, right, -step);
    else if (event.key === "+" || event.key === "=") to = arm.map((v) => v / 1.25);
    else if (event.key === "-") to = arm.map((v) => v * 1.25);
    if (!to) return;
    event.preventDefault();
    // Not over the pole, where the view would turn upside down.
    if (Math.abs(dot(unit(to), up)) > 0.995) return;
    look({ center: camera.center, eye: point(add(center, to, 1)), up: camera.up,
      projection: camera.projection });
  });
  window.addEventListener("beforeprint", () => items.forEach((item) => {
    item.querySelector(".detail").hidden = false;
  }));

  if (data.parts.length) {
    byId("space").hidden = false;
    if (items.length) choose(0, true);
    else { shownPart = 0; draw(null); }
  }
})();
