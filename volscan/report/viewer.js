// A small 3-D view of the fibres: WebGL where there is one, a plain canvas elsewhere.
"use strict";
(function () {
  const box = document.getElementById("view3d");
  const source = document.getElementById("view3d-data");
  if (!box || !source) return;
  const data = JSON.parse(source.textContent);
  const canvas = box.querySelector("canvas.scene");
  const overlay = box.querySelector("canvas.over");
  const pick = box.querySelector("select.colour");
  const cut = box.querySelector("select.cut");
  const depth = box.querySelector("input.depth");
  const upTo = box.querySelector("input.layers");
  const upToTold = box.querySelector("output.layers");
  const legend = box.querySelector(".legend");
  const told = box.querySelector(".how");

  const unpack = (text) => {
    const raw = atob(text), bytes = new Uint8Array(raw.length);
    for (let i = 0; i < raw.length; i++) bytes[i] = raw.charCodeAt(i);
    return new Uint16Array(bytes.buffer);
  };
  const place = unpack(data.points), width = unpack(data.widths);
  const count = width.length, at = new Float32Array(3 * count), radius = new Float32Array(count);
  const low = [Infinity, Infinity, Infinity], high = [-Infinity, -Infinity, -Infinity];
  for (let i = 0; i < count; i++) {
    radius[i] = 0.5 * width[i] / data.steps * data.widest;
    for (let k = 0; k < 3; k++) {
      const v = place[3 * i + k] / data.steps * data.span;
      at[3 * i + k] = v;
      low[k] = Math.min(low[k], v - radius[i]);
      high[k] = Math.max(high[k], v + radius[i]);
    }
  }
  const middle = low.map((v, k) => 0.5 * (v + high[k]));
  const reach = 0.5 * Math.hypot(high[0] - low[0], high[1] - low[1], high[2] - low[2]) || 1;
  const layers = Math.max(...data.layers);
  const start = { azimuth: -0.95, height: 0.58, zoom: 1.3, x: 0, y: 0 };
  let view = { ...start }, mode = 0, colours = [], wanted = false;

  const rgb = (hex) => [1, 3, 5].map((k) => parseInt(hex.slice(k, k + 2), 16) / 255);
  const axes = () => {
    const ca = Math.cos(view.azimuth), sa = Math.sin(view.azimuth);
    const ch = Math.cos(view.height), sh = Math.sin(view.height);
    return { right: [-sa, ca, 0], up: [-sh * ca, -sh * sa, ch], toward: [ch * ca, ch * sa, sh] };
  };
  const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
  const cross = (a, b) => [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];
  const unit = (a) => { const n = Math.hypot(...a) || 1; return a.map((v) => v / n); };
  const scale = () => 0.48 * Math.min(canvas.width, canvas.height) / reach * view.zoom;
  const plane = () => {
    const k = "xyh".indexOf(cut.value);
    if (k < 0) return null;
    return { k, at: low[k] + (high[k] - low[k]) * Number(depth.value) / 100 };
  };

  // ---- WebGL: each fibre a tube of SIDES sides ----
  const SIDES = 10;
  const gl = canvas.getContext("webgl", { antialias: true, preserveDrawingBuffer: true });
  let draw;
  if (gl) {
    const build = (kind, text) => {
      const shader = gl.createShader(kind);
      gl.shaderSource(shader, text);
      gl.compileShader(shader);
      return shader;
    };
    const program = gl.createProgram();
    gl.attachShader(program, build(gl.VERTEX_SHADER,
      "attribute vec3 p; attribute vec3 n; attribute vec3 c; uniform mat3 m; uniform vec3 mid;" +
      "uniform vec4 s; varying vec3 vn; varying vec3 vc; varying vec3 vp;" +
      "void main() { vec3 q = m * (p - mid); vn = m * n; vc = c; vp = p;" +
      "gl_Position = vec4(q.x * s.x + s.z, q.y * s.y + s.w, -q.z * " + (0.5 / reach).toFixed(8) + ", 1.0); }"));
    gl.attachShader(program, build(gl.FRAGMENT_SHADER,
      "precision mediump float; varying vec3 vn; varying vec3 vc; varying vec3 vp;" +
      "uniform vec4 cut; void main() { if (dot(vp, cut.xyz) > cut.w) discard;" +
      "vec3 n = normalize(vn); if (n.z < 0.0) n = -n;" +
      "float l = max(dot(n, normalize(vec3(-0.45, 0.62, 0.65))), 0.0);" +
      "gl_FragColor = vec4(vc * (0.42 + 0.62 * l) + 0.18 * pow(l, 24.0), 1.0); }"));
    gl.linkProgram(program);
    gl.useProgram(program);
    const points = new Float32Array(3 * SIDES * count), normals = new Float32Array(3 * SIDES * count);
    const index = [], first = [];
    let base = 0;
    for (const n of data.counts) {
      first.push(index.length);
      let side = null;
      for (let i = 0; i < n; i++) {
        const a = 3 * (base + Math.max(i - 1, 0)), b = 3 * (base + Math.min(i + 1, n - 1));
        const along = unit([at[b] - at[a], at[b + 1] - at[a + 1], at[b + 2] - at[a + 2]]);
        if (!side) side = unit(cross(along, Math.abs(along[2]) < 0.9 ? [0, 0, 1] : [1, 0, 0]));
        const kept = dot(side, along);  // carried along, so that the tube does not twist
        side = unit(side.map((v, k) => v - kept * along[k]));
        const other = cross(along, side);
        for (let j = 0; j < SIDES; j++) {
          const t = 2 * Math.PI * j / SIDES, o = 3 * ((base + i) * SIDES + j);
          for (let k = 0; k < 3; k++) {
            normals[o + k] = Math.cos(t) * side[k] + Math.sin(t) * other[k];
            points[o + k] = at[3 * (base + i) + k] + radius[base + i] * normals[o + k];
          }
          if (i + 1 < n) {
            const p = (base + i) * SIDES + j, q = (base + i) * SIDES + (j + 1) % SIDES;
            index.push(p, q, p + SIDES, q, q + SIDES, p + SIDES);
          }
        }
      }
      base += n;
    }
    first.push(index.length);
    const big = gl.getExtension("OES_element_index_uint");
    const fill = (name, values, type) => {
      const buffer = gl.createBuffer();
      gl.bindBuffer(type, buffer);
      gl.bufferData(type, values, gl.STATIC_DRAW);
      if (name) {
        const where = gl.getAttribLocation(program, name);
        gl.enableVertexAttribArray(where);
        gl.vertexAttribPointer(where, 3, gl.FLOAT, false, 0, 0);
      }
      return buffer;
    };
    fill("p", points, gl.ARRAY_BUFFER);
    fill("n", normals, gl.ARRAY_BUFFER);
    const paint = fill("c", new Float32Array(3 * SIDES * count), gl.ARRAY_BUFFER);
    fill(null, big ? new Uint32Array(index) : new Uint16Array(index), gl.ELEMENT_ARRAY_BUFFER);
    gl.enable(gl.DEPTH_TEST);
    const spot = (name) => gl.getUniformLocation(program, name);
    let painted = -1;
    draw = () => {
      if (painted !== mode) {
        const tint = new Float32Array(3 * SIDES * count);
        let i = 0;
        data.counts.forEach((n, f) => {
          for (let k = 0; k < n * SIDES; k++, i++) tint.set(colours[f], 3 * i);
        });
        gl.bindBuffer(gl.ARRAY_BUFFER, paint);
        gl.bufferData(gl.ARRAY_BUFFER, tint, gl.STATIC_DRAW);
        painted = mode;
      }
      const { right, up, toward } = axes(), s = scale(), c = plane();
      gl.viewport(0, 0, canvas.width, canvas.height);
      gl.clearColor(1, 1, 1, 1);
      gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
      gl.uniformMatrix3fv(spot("m"), false, [
        right[0], up[0], toward[0], right[1], up[1], toward[1], right[2], up[2], toward[2]]);
      gl.uniform3fv(spot("mid"), middle);
      gl.uniform4f(spot("s"), 2 * s / canvas.width, 2 * s / canvas.height,
        2 * view.x / canvas.width, -2 * view.y / canvas.height);
      const normal = [0, 0, 0];
      if (c) normal[c.k] = 1;
      gl.uniform4f(spot("cut"), ...normal, c ? c.at : 1e30);
      const size = big ? 4 : 2;
      data.counts.forEach((n, f) => {
        if (data.layers[f] <= Number(upTo.value)) {
          gl.drawElements(gl.TRIANGLES, first[f + 1] - first[f],
            big ? gl.UNSIGNED_INT : gl.UNSIGNED_SHORT, first[f] * size);
        }
      });
    };
  } else {
    // ---- plain canvas: segments drawn from far to near ----
    told.textContent = "Drawn without WebGL, which this browser does not offer.";
    const pen = canvas.getContext("2d");
    draw = () => {
      const { right, up, toward } = axes(), s = scale(), c = plane(), todo = [];
      pen.fillStyle = "#ffffff";
      pen.fillRect(0, 0, canvas.width, canvas.height);
      const see = (i) => {
        const q = [at[3 * i] - middle[0], at[3 * i + 1] - middle[1], at[3 * i + 2] - middle[2]];
        return [canvas.width / 2 + view.x + s * dot(q, right), canvas.height / 2 + view.y - s * dot(q, up), dot(q, toward)];
      };
      let base = 0;
      data.counts.forEach((n, f) => {
        const shown = data.layers[f] <= Number(upTo.value);
        for (let i = base; shown && i + 1 < base + n; i++) {
          if (c && at[3 * i + c.k] > c.at) continue;
          const a = see(i), b = see(i + 1);
          todo.push([0.5 * (a[2] + b[2]), a, b, 2 * s * radius[i], f]);
        }
        base += n;
      });
      todo.sort((p, q) => p[0] - q[0]);
      pen.lineCap = "round";
      for (const [z, a, b, w, f] of todo) {
        const light = 0.72 + 0.28 * Math.max(-1, Math.min(1, z / reach));
        for (const [share, shade] of [[1, 0.55], [0.78, 0.9], [0.34, 1.15]]) {
          const [r, g, v] = colours[f].map((x) => Math.round(255 * Math.min(1, x * light * shade)));
          pen.strokeStyle = `rgb(${r},${g},${v})`;
          pen.lineWidth = Math.max(1, w * share);
          pen.beginPath();
          pen.moveTo(a[0], a[1]);
          pen.lineTo(b[0], b[1]);
          pen.stroke();
        }
      }
    };
  }

  // ---- scale bar and axes, over either ----
  const drawOver = () => {
    const ratio = window.devicePixelRatio || 1, pen = overlay.getContext("2d");
    const w = overlay.width, h = overlay.height, s = scale();
    pen.clearRect(0, 0, w, h);
    let length = 10 ** Math.floor(Math.log10(0.3 * w / s));
    for (const step of [5, 2]) if (step * length * s <= 0.3 * w) { length *= step; break; }
    pen.fillStyle = pen.strokeStyle = "#1d2229";
    pen.font = `${13 * ratio}px system-ui, sans-serif`;
    pen.fillRect(14 * ratio, h - 18 * ratio, length * s, 4 * ratio);
    pen.fillText(`${+length.toPrecision(3)} µm`, 14 * ratio, h - 24 * ratio);
    const { right, up } = axes(), foot = [w - 46 * ratio, h - 40 * ratio];
    [["X", [1, 0, 0]], ["Y", [0, 1, 0]], ["H", [0, 0, 1]]].forEach(([name, e]) => {
      const x = dot(e, right) * 26 * ratio, y = -dot(e, up) * 26 * ratio;
      pen.lineWidth = 1.6 * ratio;
      pen.beginPath();
      pen.moveTo(...foot);
      pen.lineTo(foot[0] + x, foot[1] + y);
      pen.stroke();
      pen.fillText(name, foot[0] + 1.35 * x - 4 * ratio, foot[1] + 1.35 * y + 4 * ratio);
    });
  };

  const refresh = () => {
    if (wanted) return;
    wanted = true;
    requestAnimationFrame(() => { wanted = false; draw(); drawOver(); });
  };
  const paintBy = () => {
    mode = Number(pick.value);
    colours = data.colours[mode].fibres.map(rgb);
    legend.replaceChildren(...data.colours[mode].legend.map(([name, colour]) => {
      const item = document.createElement("span"), dab = document.createElement("i");
      dab.style.background = colour;
      item.append(dab, name);
      return item;
    }));
    refresh();
  };
  const fit = () => {
    const ratio = Math.min(window.devicePixelRatio || 1, 2), room = canvas.getBoundingClientRect();
    for (const c of [canvas, overlay]) {
      c.width = Math.max(1, Math.round(room.width * ratio));
      c.height = Math.max(1, Math.round(room.height * ratio));
    }
    refresh();
  };
  const turn = (x, y) => {
    view.azimuth -= x;
    view.height = Math.max(-Math.PI / 2, Math.min(Math.PI / 2, view.height + y));
    refresh();
  };
  const zoom = (by) => { view.zoom = Math.max(0.3, Math.min(30, view.zoom * by)); refresh(); };

  data.colours.forEach((m, k) => pick.add(new Option(m.name, String(k))));
  upTo.max = upTo.value = String(layers);
  const tell = () => { upToTold.textContent = `${Number(upTo.value) + 1} of ${layers + 1}`; refresh(); };
  pick.addEventListener("change", paintBy);
  upTo.addEventListener("input", tell);
  cut.addEventListener("change", () => { depth.disabled = cut.value === "none"; refresh(); });
  depth.addEventListener("input", refresh);
  const fingers = new Map();
  overlay.addEventListener("pointerdown", (e) => {
    overlay.setPointerCapture(e.pointerId);
    fingers.set(e.pointerId, [e.clientX, e.clientY]);
    overlay.focus({ preventScroll: true });
  });
  overlay.addEventListener("pointermove", (e) => {
    const old = fingers.get(e.pointerId);
    if (!old) return;
    const dx = e.clientX - old[0], dy = e.clientY - old[1];
    if (fingers.size > 1) {
      const other = [...fingers].find(([id]) => id !== e.pointerId)[1];
      const before = Math.hypot(old[0] - other[0], old[1] - other[1]);
      zoom(Math.hypot(e.clientX - other[0], e.clientY - other[1]) / (before || 1));
    } else if (e.shiftKey || e.buttons === 2) {
      const ratio = Math.min(window.devicePixelRatio || 1, 2);
      view.x += dx * ratio;
      view.y += dy * ratio;
      refresh();
    } else turn(dx * 0.008, dy * 0.008);
    fingers.set(e.pointerId, [e.clientX, e.clientY]);
  });
  for (const name of ["pointerup", "pointercancel"]) {
    overlay.addEventListener(name, (e) => fingers.delete(e.pointerId));
  }
  overlay.addEventListener("contextmenu", (e) => e.preventDefault());
  overlay.addEventListener("wheel", (e) => {
    if (document.activeElement !== overlay) return;  // until it is clicked, the page scrolls
    e.preventDefault();
    zoom(Math.exp(-0.0015 * e.deltaY));
  }, { passive: false });
  overlay.addEventListener("keydown", (e) => {
    const step = 0.09, keys = {
      ArrowLeft: () => turn(-step, 0), ArrowRight: () => turn(step, 0),
      ArrowUp: () => turn(0, step), ArrowDown: () => turn(0, -step),
      "+": () => zoom(1.15), "=": () => zoom(1.15), "-": () => zoom(1 / 1.15),
      0: () => { view = { ...start }; refresh(); },
    };
    if (keys[e.key]) { e.preventDefault(); keys[e.key](); }
  });
  box.querySelectorAll("button[data-view]").forEach((button) => button.addEventListener("click", () => {
    const [azimuth, height] = button.dataset.view.split(",").map(Number);
    view = { ...start, azimuth, height };
    refresh();
  }));
  box.hidden = false;
  new ResizeObserver(fit).observe(canvas);
  paintBy();
  tell();
  fit();
  box.dataset.drawn = gl ? "webgl" : "canvas";
})();
