"use strict";
// One part in space, drawn with WebGL 2 and nothing else. `partView(canvas, over, changed)` gives
// null where the browser has no WebGL 2. All points that go in and out are in the part file's own
// frame, mm; inside, the longest side of the part is 1 and its middle the origin.
const partView = (function () {
  // Vectors.
  const add = (a, b, by) => [a[0] + by * b[0], a[1] + by * b[1], a[2] + by * b[2]];
  const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
  const cross = (a, b) => [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2],
    a[0] * b[1] - a[1] * b[0]];
  const unit = (a) => { const s = Math.hypot(...a) || 1; return [a[0] / s, a[1] / s, a[2] / s]; };
  const within = (v, low, high) => Math.min(Math.max(v, low), high);

  const HALF = Math.tan(Math.PI / 8); // half of the view's height at distance 1
  const STEEPEST = 1.5, NEAREST = 0.02, FARTHEST = 6, TURN = Math.PI / 18, MOVED = 300;

  const SURFACE = [`#version 300 es
    in vec3 place, normal; in vec4 paint;
    uniform mat4 seen; uniform vec3 low, room;
    out vec3 at; flat out vec3 face; flat out vec4 tone;
    void main() {
      at = low + place * room; face = normal; tone = paint;
      gl_Position = seen * vec4(at, 1.0);
    }`, `#version 300 es
    precision highp float;
    in vec3 at; flat in vec3 face; flat in vec4 tone;
    uniform vec3 light, eye; uniform float pitch, pixel;
    out vec4 colour;
    // How much ink a line at every whole number has here: about two pixels wide.
    float line(float s) {
      float off = abs(fract(s - 0.5) - 0.5) / max(fwidth(s), 1e-6);
      return 1.0 - smoothstep(0.6 * pixel, 1.4 * pixel, off);
    }
    float dots(vec2 s) {
      float off = length(fract(s - 0.5) - 0.5);
      float soft = max(fwidth(s.x), fwidth(s.y));
      return 1.0 - smoothstep(0.22 - soft, 0.22 + soft, off);
    }
    void main() {
      vec3 n = normalize(face);
      vec3 a = abs(n);
      vec2 s = (a.z >= a.x && a.z >= a.y ? at.xy : a.x >= a.y ? at.yz : at.xz) / pitch;
      if (dot(n, eye - at) < 0.0) n = -n;
      int pattern = int(tone.a * 255.0 + 0.5);
      // Slanting lines are cuts by planes, so that they run on over round faces.
      float up = pattern == 2 || pattern == 7 ? line((s.x + s.y) * 0.7)
        : line(dot(at, vec3(0.7)) / pitch), down = line((s.x - s.y) * 0.7);
      float level = line(s.y), upright = line(s.x), spots = dots(s);
      float ink = pattern == 1 || pattern == 8 ? up : pattern == 2 || pattern == 7 ? max(up, down)
        : pattern == 3 || pattern == 9 ? level : pattern == 4 ? upright
        : pattern == 5 || pattern == 6 || pattern == 10 ? spots : 0.0;
      vec3 drawn = pattern == 2 ? vec3(0.835, 0.369, 0.0) : pattern == 6 ? vec3(0.0)
        : pattern < 7 || dot(tone.rgb, vec3(0.3, 0.59, 0.11)) < 0.45 ? vec3(1.0) : vec3(0.0);
      float lit = 0.66 + 0.34 * max(dot(n, light), 0.0);
      colour = vec4(mix(tone.rgb * lit, drawn, ink * (pattern < 7 ? 1.0 : 0.75)), 1.0);
    }`];
  const EDGE = [`#version 300 es
    in vec3 place;
    uniform mat4 seen; uniform vec3 low, room;
    void main() {
      gl_Position = seen * vec4(low + place * room, 1.0);
      gl_Position.z -= 0.0006 * gl_Position.w; // a little in front of the faces beside it
    }`, `#version 300 es
    precision mediump float;
    out vec4 colour;
    void main() { colour = vec4(0.0, 0.0, 0.0, 0.55); }`];

  function program(gl, sources) {
    const made = gl.createProgram();
    [gl.VERTEX_SHADER, gl.FRAGMENT_SHADER].forEach((kind, which) => {
      const shader = gl.createShader(kind);
      gl.shaderSource(shader, sources[which]);
      gl.compileShader(shader);
      gl.attachShader(made, shader);
    });
    ["place", "normal", "paint"].forEach((name, at) => gl.bindAttribLocation(made, at, name));
    gl.linkProgram(made);
    if (!gl.getProgramParameter(made, gl.LINK_STATUS)) throw new Error("WebGL");
    const at = {};
    for (const name of ["seen", "low", "room", "light", "eye", "pitch", "pixel"]) {
      at[name] = gl.getUniformLocation(made, name);
    }
    return { made, at };
  }

  return function (canvas, over, changed) {
    let gl = null, surface = null, edge = null, buffers = null;
    let mesh = null, paint = null, camera = null, moving = 0, due = false;
    let marks = { box: null, places: [] };
    const calm = window.matchMedia("(prefers-reduced-motion: reduce)");

    function begin() {
      gl = canvas.getContext("webgl2", { antialias: true, alpha: true });
      if (!gl) return false;
      try {
        surface = program(gl, SURFACE);
        edge = program(gl, EDGE);
      } catch (error) { return false; }
      buffers = { geometry: gl.createBuffer(), paint: gl.createBuffer(), edge: gl.createBuffer() };
      return true;
    }
    if (!begin()) return null;
    canvas.addEventListener("webglcontextlost", (event) => event.preventDefault());
    canvas.addEventListener("webglcontextrestored", () => {
      if (begin() && mesh) { load(); if (paint) tint(paint); }
    });

    // The part's own frame, and ours.
    const inner = (p) => p.map((v, i) => (v - mesh.middle[i]) / mesh.size);
    const outer = (p) => p.map((v, i) => v * mesh.size + mesh.middle[i]);

    // Vertices are whole numbers between `low` and `high`; every triangle has corners of its own, as it
    // has a colour and a normal of its own.
    function load() {
      const { vertices, triangles } = mesh, count = triangles.length;
      const bytes = new ArrayBuffer(12 * count), short = new Uint16Array(bytes);
      const small = new Int8Array(bytes);
      for (let i = 0; i < count; i += 3) {
        const [a, b, c] = [0, 1, 2].map((k) => mesh.point(triangles[i + k]));
        const n = unit(cross(add(b, a, -1), add(c, a, -1)));
        for (let k = 0; k < 3; k++) {
          const from = 3 * triangles[i + k], to = 6 * (i + k);
          for (let axis = 0; axis < 3; axis++) {
            short[to + axis] = vertices[from + axis];
            small[12 * (i + k) + 8 + axis] = Math.round(127 * n[axis]);
          }
        }
      }
      gl.bindBuffer(gl.ARRAY_BUFFER, buffers.geometry);
      gl.bufferData(gl.ARRAY_BUFFER, bytes, gl.STATIC_DRAW);
      const ends = new Uint16Array(4 * mesh.edges.length);
      mesh.edges.forEach((vertex, i) => ends.set(vertices.subarray(3 * vertex, 3 * vertex + 3), 4 * i));
      gl.bindBuffer(gl.ARRAY_BUFFER, buffers.edge);
      gl.bufferData(gl.ARRAY_BUFFER, ends, gl.STATIC_DRAW);
    }
    function tint(colours) {
      paint = colours;
      const all = new Uint8Array(12 * (colours.length / 4));
      for (let i = 0; i < all.length; i += 12) {
        for (let k = 0; k < 12; k++) all[i + k] = colours[i / 3 + k % 4];
      }
      gl.bindBuffer(gl.ARRAY_BUFFER, buffers.paint);
      gl.bufferData(gl.ARRAY_BUFFER, all, gl.STATIC_DRAW);
      draw();
    }

    // The camera turns about what it looks at: `round` the upright axis, `rise` above level.
    function basis(seen) {
      const { east, north, up } = mesh;
      const flat = add(east.map((v) => v * Math.cos(seen.round)), north, Math.sin(seen.round));
      const away = add(flat.map((v) => v * Math.cos(seen.rise)), up, Math.sin(seen.rise));
      const right = unit(cross(up, away));
      return { away, right, top: cross(away, right), eye: add(seen.target, away, seen.far) };
    }
    function matrix(seen) {
      const { away, right, top, eye } = basis(seen);
      const near = Math.max(seen.far - 2, 0.02 * seen.far), far = seen.far + 2;
      const wide = HALF * canvas.clientWidth / canvas.clientHeight;
      const a = (far + near) / (near - far), b = 2 * far * near / (near - far);
      const rows = [right.map((v) => v / wide), top.map((v) => v / HALF)];
      const shift = rows.map((row) => -dot(row, eye)), deep = -dot(away, eye);
      return new Float32Array([0, 1, 2].flatMap((i) =>
        [rows[0][i], rows[1][i], a * away[i], -away[i]]).concat(
        [shift[0], shift[1], a * deep + b, -deep]));
    }
    function draw() {
      if (due || !mesh || !camera) return;
      due = true;
      requestAnimationFrame(() => { due = false; frame(); });
    }
    function frame() {
      const sharp = Math.min(window.devicePixelRatio || 1, 2);
      const wide = Math.round(canvas.clientWidth * sharp), high = Math.round(canvas.clientHeight * sharp);
      if (!wide || !high || gl.isContextLost()) return;
      for (const each of [canvas, over]) {
        if (each.width !== wide || each.height !== high) { each.width = wide; each.height = high; }
      }
      const seen = matrix(camera), { away, right, top, eye } = basis(camera);
      gl.viewport(0, 0, wide, high);
      gl.clearColor(0, 0, 0, 0);
      gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
      gl.enable(gl.DEPTH_TEST);
      gl.disable(gl.BLEND);
      // Patterns keep about the same distance on the screen, in steps, so that they do not swim.
      const pitch = Math.pow(2, Math.round(Math.log2(camera.far * 2 * HALF * 9 / canvas.clientHeight)));
      for (const each of [surface, edge]) {
        gl.useProgram(each.made);
        gl.uniformMatrix4fv(each.at.seen, false, seen);
        gl.uniform3fv(each.at.low, mesh.lowest);
        gl.uniform3fv(each.at.room, mesh.room);
      }
      gl.useProgram(surface.made);
      gl.uniform3fv(surface.at.eye, eye);
      gl.uniform3fv(surface.at.light, unit(add(add(away, right, 0.5), top, 0.8)));
      gl.uniform1f(surface.at.pitch, pitch);
      gl.uniform1f(surface.at.pixel, sharp);
      gl.bindBuffer(gl.ARRAY_BUFFER, buffers.geometry);
      gl.enableVertexAttribArray(0);
      gl.vertexAttribPointer(0, 3, gl.UNSIGNED_SHORT, false, 12, 0);
      gl.enableVertexAttribArray(1);
      gl.vertexAttribPointer(1, 3, gl.BYTE, true, 12, 8);
      gl.bindBuffer(gl.ARRAY_BUFFER, buffers.paint);
      gl.enableVertexAttribArray(2);
      gl.vertexAttribPointer(2, 4, gl.UNSIGNED_BYTE, true, 4, 0);
      gl.drawArrays(gl.TRIANGLES, 0, mesh.triangles.length);
      gl.useProgram(edge.made);
      gl.disableVertexAttribArray(1);
      gl.disableVertexAttribArray(2);
      gl.bindBuffer(gl.ARRAY_BUFFER, buffers.edge);
      gl.vertexAttribPointer(0, 3, gl.UNSIGNED_SHORT, false, 8, 0);
      gl.enable(gl.BLEND);
      gl.blendFuncSeparate(gl.SRC_ALPHA, gl.ONE_MINUS_SRC_ALPHA, gl.ONE, gl.ONE_MINUS_SRC_ALPHA);
      gl.drawArrays(gl.LINES, 0, mesh.edges.length);
      overlay(sharp);
      changed();
    }

    // What is marked lies in front of everything.
    function overlay(sharp) {
      const pen = over.getContext("2d");
      pen.setTransform(sharp, 0, 0, sharp, 0, 0);
      pen.clearRect(0, 0, over.width, over.height);
      pen.lineJoin = pen.lineCap = "round";
      if (marks.box) {
        const corner = (i) => project(marks.box[0].map((v, axis) => i >> axis & 1
          ? marks.box[1][axis] : v));
        const lines = new Path2D();
        for (let i = 0; i < 8; i++) for (const axis of [1, 2, 4]) {
          const one = corner(i), other = i & axis ? null : corner(i | axis);
          if (one && other) { lines.moveTo(...one); lines.lineTo(...other); }
        }
        for (const [colour, wide] of [["#fff", 4], ["#000", 1.6]]) {
          pen.strokeStyle = colour;
          pen.lineWidth = wide;
          pen.stroke(lines);
        }
      }
      for (const place of marks.places) {
        const at = project(place);
        if (!at) continue;
        pen.beginPath();
        for (const [x, y] of [[0, -6], [6, 0], [0, 6], [-6, 0]]) pen.lineTo(at[0] + x, at[1] + y);
        pen.closePath();
        pen.fillStyle = "#000";
        pen.strokeStyle = "#fff";
        pen.lineWidth = 2;
        pen.fill();
        pen.stroke();
      }
    }
    // Where a point is seen, in CSS pixels; null behind the camera.
    function project(point) {
      const { away, right, top, eye } = basis(camera), off = add(inner(point), eye, -1);
      const deep = -dot(off, away);
      if (deep < 1e-3) return null;
      const high = canvas.clientHeight / 2 / HALF / deep;
      return [canvas.clientWidth / 2 + dot(off, right) * high,
        canvas.clientHeight / 2 - dot(off, top) * high];
    }
    // The first triangle that a ray meets: its number and how far; both in our frame.
    function hit(from, toward) {
      let best = { triangle: -1, far: Infinity };
      const { triangles } = mesh;
      for (let i = 0; i < triangles.length; i += 3) {
        const a = mesh.point(triangles[i]), one = add(mesh.point(triangles[i + 1]), a, -1);
        const two = add(mesh.point(triangles[i + 2]), a, -1), p = cross(toward, two);
        const square = dot(one, p);
        if (Math.abs(square) < 1e-14) continue;
        const off = add(from, a, -1), u = dot(off, p) / square;
        if (u < 0 || u > 1) continue;
        const q = cross(off, one), v = dot(toward, q) / square, far = dot(two, q) / square;
        if (v >= 0 && u + v <= 1 && far > 1e-6 && far < best.far) best = { triangle: i / 3, far };
      }
      return best;
    }
    function pick(x, y) {
      const { away, right, top, eye } = basis(camera), high = 2 * HALF / canvas.clientHeight;
      const aside = (x - canvas.clientWidth / 2) * high, above = (canvas.clientHeight / 2 - y) * high;
      const toward = unit(add(add(away.map((v) => -v), right, aside), top, above));
      const found = hit(eye, toward);
      return found.triangle < 0 ? null
        : { triangle: found.triangle, point: outer(add(eye, toward, found.far)) };
    }

    function show(given) {
      const size = Math.max(...given.high.map((v, i) => v - given.low[i]), 1e-6);
      const middle = given.low.map((v, i) => (v + given.high[i]) / 2);
      const up = unit(given.up), odd = Math.abs(up[0]) > 0.9 ? [0, 1, 0] : [1, 0, 0];
      const north = unit(cross(up, odd)), east = cross(north, up);
      const room = given.high.map((v, i) => (v - given.low[i]) / size / given.steps);
      const lowest = given.low.map((v, i) => (v - middle[i]) / size);
      const v = given.vertices;
      mesh = { ...given, size, middle, up, north, east, room, lowest, point: (n) => [
        lowest[0] + v[3 * n] * room[0], lowest[1] + v[3 * n + 1] * room[1],
        lowest[2] + v[3 * n + 2] * room[2]] };
      camera = null;
      load();
    }
    // All of the part from one side, in the middle of the view.
    function whole(round, rise) {
      const seen = { target: [0, 0, 0], round, rise, far: 1, whole: true };
      const { away, right, top } = basis(seen);
      const ratio = canvas.clientWidth / canvas.clientHeight || 1;
      const corners = Array.from({ length: 8 }, (_, corner) =>
        mesh.lowest.map((v, i) => corner >> i & 1 ? -v : v));
      for (let again = 0; again < 6; again++) {
        let far = 0.2;
        const ends = [[right, ratio], [top, 1]].map(([way, wide]) => {
          const high = 0.86 * HALF * wide;
          let low = Infinity, most = -Infinity;
          for (const corner of corners) {
            const at = add(corner, seen.target, -1), deep = dot(at, away);
            far = Math.max(far, deep + Math.abs(dot(at, way)) / high);
            const share = dot(at, way) / (seen.far - deep);
            low = Math.min(low, share); most = Math.max(most, share);
          }
          return (low + most) / 2;
        });
        if (again) {
          seen.target = add(add(seen.target, right, ends[0] * seen.far), top, ends[1] * seen.far);
        }
        seen.far = far;
      }
      return seen;
    }
    // The way round and up of a direction.
    function turned(direction) {
      const way = unit(direction);
      return { round: Math.atan2(dot(way, mesh.north), dot(way, mesh.east)),
        rise: within(Math.asin(within(dot(way, mesh.up), -1, 1)), -STEEPEST, STEEPEST) };
    }
    // A place from that side of several on which nothing much (mm) lies before it.
    function near(point, sides, reach, before) {
      const target = inner(point), far = within(reach / mesh.size, 0.12, 3);
      const free = sides.find((side) => {
        const way = unit(side), start = add(target, way, 3), found = hit(start, way.map((v) => -v));
        return 3 - found.far <= before / mesh.size;
      });
      const side = free || sides[0];
      const way = turned(side), most = whole(way.round, way.rise);
      return far < most.far ? { target, ...way, far } : most;
    }
    function look(to, smooth) {
      cancelAnimationFrame(moving);
      const from = camera;
      if (!from || !smooth || calm.matches) { camera = to; draw(); return; }
      const full = 2 * Math.PI, begun = performance.now();
      const round = ((to.round - from.round) % full + full * 1.5) % full - full / 2;
      const step = (now) => {
        const share = within((now - begun) / MOVED, 0, 1), part = share * share * (3 - 2 * share);
        camera = share === 1 ? to : { target: add(from.target, add(to.target, from.target, -1), part),
          round: from.round + part * round, rise: from.rise + part * (to.rise - from.rise),
          far: from.far * Math.pow(to.far / from.far, part) };
        draw();
        if (share < 1) moving = requestAnimationFrame(step);
      };
      moving = requestAnimationFrame(step);
    }
    function turn(round, rise) {
      look({ ...camera, whole: false, round: camera.round + round,
        rise: within(camera.rise + rise, -STEEPEST, STEEPEST) });
    }
    function zoom(by) { look({ ...camera, whole: false, far: within(camera.far * by, NEAREST, FARTHEST) }); }
    function pan(x, y) {
      const { right, top } = basis(camera), high = 2 * HALF * camera.far / canvas.clientHeight;
      const target = add(add(camera.target, right, -x * high), top, y * high);
      look({ ...camera, whole: false, target: target.map((v) => within(v, -1, 1)) });
    }

    // One finger or button turns, two fingers, another button or Shift move; a tap picks.
    const fingers = new Map();
    let still = true;
    canvas.addEventListener("pointerdown", (event) => {
      canvas.setPointerCapture(event.pointerId);
      fingers.set(event.pointerId, [event.clientX, event.clientY]);
      still = fingers.size === 1;
    });
    canvas.addEventListener("pointermove", (event) => {
      const last = fingers.get(event.pointerId);
      if (!last || !camera) return;
      const x = event.clientX - last[0], y = event.clientY - last[1];
      if (still && Math.hypot(x, y) < 4) return;
      still = false;
      if (fingers.size === 2) {
        const [other] = [...fingers].filter(([id]) => id !== event.pointerId)[0].slice(1);
        const apart = (p) => Math.hypot(p[0] - other[0], p[1] - other[1]) || 1;
        zoom(apart(last) / apart([event.clientX, event.clientY]));
        pan(x / 2, y / 2);
      } else if (event.shiftKey || event.buttons & 6) pan(x, y);
      else turn(-x * 0.008, y * 0.008);
      fingers.set(event.pointerId, [event.clientX, event.clientY]);
    });
    function lift(event) {
      const tap = fingers.delete(event.pointerId) && still && event.type === "pointerup";
      if (!tap || event.button || !camera) return;
      const box = canvas.getBoundingClientRect();
      canvas.dispatchEvent(new CustomEvent("picked", { bubbles: true,
        detail: pick(event.clientX - box.left, event.clientY - box.top) }));
    }
    canvas.addEventListener("pointerup", lift);
    canvas.addEventListener("pointercancel", lift);
    canvas.addEventListener("contextmenu", (event) => event.preventDefault());
    canvas.addEventListener("wheel", (event) => {
      if (!camera) return;
      event.preventDefault();
      zoom(Math.pow(1.0015, within(event.deltaY * (event.deltaMode ? 30 : 1), -300, 300)));
    }, { passive: false });
    // What a key does, if anything.
    function key(event) {
      const ways = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };
      const way = ways[event.key];
      if (!camera || event.ctrlKey || event.altKey || event.metaKey) return false;
      if (way && event.shiftKey) pan(-30 * way[0], 30 * way[1]);
      else if (way) turn(way[0] * TURN, way[1] * TURN);
      else if (event.key === "+" || event.key === "=") zoom(1 / 1.25);
      else if (event.key === "-") zoom(1.25);
      else return false;
      return true;
    }
    new ResizeObserver(draw).observe(canvas);

    return { show, tint, look, whole, near, key, project, turned,
      mark(box, places) { marks = { box, places }; draw(); },
      pick: () => pick(canvas.clientWidth / 2, canvas.clientHeight / 2),
      get camera() { return camera; }, get mesh() { return mesh; } };
  };
})();
