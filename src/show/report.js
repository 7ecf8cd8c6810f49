"use strict";
(function () {
  const data = JSON.parse(document.getElementById("data").textContent);
  const box = document.getElementById("map");
  const svg = box.querySelector("svg");
  const out = document.getElementById("spot");
  const numbers = (text) => {
    const raw = atob(text);
    const view = new DataView(new ArrayBuffer(raw.length));
    for (let i = 0; i < raw.length; i++) view.setUint8(i, raw.charCodeAt(i));
    return Array.from({ length: raw.length / 2 }, (_, i) => view.getInt16(2 * i, true));
  };
  const height = numbers(data.height), deviation = numbers(data.deviation), sd = numbers(data.sd), state = numbers(data.state);
  const full = svg.viewBox.baseVal, whole = { x: full.x, y: full.y, w: full.width, h: full.height };
  let view = { ...whole }, node = null;
  const mark = document.createElementNS("http://www.w3.org/2000/svg", "g");
  mark.innerHTML = '<circle r="14" fill="none" stroke="#fff" stroke-width="7"/><circle r="14" fill="none" stroke="#111" stroke-width="3"/>' +
    '<path d="M-26 0H-8M8 0H26M0-26V-8M0 8V26" stroke="#111" stroke-width="3"/>';
  mark.setAttribute("visibility", "hidden");
  svg.appendChild(mark);
  document.documentElement.classList.add("script");

  const show = () => {
    view.w = Math.min(whole.w, Math.max(whole.w / 16, view.w));
    view.h = view.w * whole.h / whole.w;
    view.x = Math.min(whole.x + whole.w - view.w, Math.max(whole.x, view.x));
    view.y = Math.min(whole.y + whole.h - view.h, Math.max(whole.y, view.y));
    svg.setAttribute("viewBox", [view.x, view.y, view.w, view.h].join(" "));
    box.style.touchAction = view.w < whole.w * 0.999 ? "none" : "pan-y";
    place();
  };
  // The picture may be narrower than its box (tall panels): the SVG is then centred in it.
  const fit = () => {
    const r = svg.getBoundingClientRect(), px = Math.min(r.width / view.w, r.height / view.h);
    return { px, left: r.left + (r.width - view.w * px) / 2, top: r.top + (r.height - view.h * px) / 2 };
  };
  const inside = (e) => {
    const f = fit();
    return [view.x + (e.clientX - f.left) / f.px, view.y + (e.clientY - f.top) / f.px];
  };
  const zoom = (factor, at) => {
    const p = at || [view.x + view.w / 2, view.y + view.h / 2];
    const w = Math.min(whole.w, Math.max(whole.w / 16, view.w / factor)), k = w / view.w;
    view.x = p[0] - (p[0] - view.x) * k;
    view.y = p[1] - (p[1] - view.y) * k;
    view.w = w;
    show();
  };
  const place = () => {
    if (!node) return;
    const x = data.left + (node[0] * data.step - data.x0) * data.scale, y = data.bottom - (node[1] * data.step - data.y0) * data.scale;
    mark.setAttribute("transform", `translate(${x} ${y}) scale(${1 / fit().px})`);
    mark.setAttribute("visibility", "visible");
  };
  const minus = (s) => s.replace("-", "\u2212");
  const depth = (mm, sign) => {
    const v = mm * data.depth_per_mm, s = v.toFixed(data.depth_digits);
    return sign ? (v >= 0 && !s.startsWith("-") ? "+" + s : minus(s)) : minus(s);
  };
  const tell = (ix, iy) => {
    node = [Math.min(data.nx - 1, Math.max(0, ix)), Math.min(data.ny - 1, Math.max(0, iy))];
    const i = node[1] * data.nx + node[0], place_ = (n) => (n * data.step * data.place_per_mm).toFixed(data.place_digits);
    const at = `x ${place_(node[0])}, y ${place_(node[1])} ${data.place_unit}: `;
    const s = state[i] & 7, region = state[i] >> 3, word = data.states[s];
    let text;
    if (s === data.outside) text = at + "off the panel.";
    else if (s === data.unmeasured) text = at + (region ? data.regions[region - 1] + " by the coat left, depth not known." : "not measured.");
    else if (deviation[i] === -32768) text = at + "nothing known.";
    else {
      const d = deviation[i] * data.deviation_mm, e = sd[i] === -32768 ? NaN : 1.96 * sd[i] * data.sd_mm;
      const u = " " + data.depth_unit;
      text = at + word + (region ? ", " + data.regions[region - 1] : "") + ". Deviation " + depth(d, true) + u +
        (isNaN(e) ? "" : ", 95 % between " + depth(d - e, true) + " and " + depth(d + e, true)) + "." +
        (height[i] === -32768 ? "" : " Height " + depth(height[i] * data.height_mm, false) + u + " (up to a plane).");
    }
    out.textContent = text;
    place();
  };
  const tap = (e) => {
    const p = inside(e);
    tell(Math.round(((p[0] - data.left) / data.scale + data.x0) / data.step), Math.round(((data.bottom - p[1]) / data.scale + data.y0) / data.step));
  };

  const fingers = new Map();
  let moved = 0;
  box.addEventListener("pointerdown", (e) => {
    if (e.button > 0) return;
    if (fingers.size === 0) moved = 0;
    fingers.set(e.pointerId, [e.clientX, e.clientY]);
  });
  box.addEventListener("pointermove", (e) => {
    const was = fingers.get(e.pointerId);
    if (!was) return;
    const f = fit(), others = [...fingers].filter(([id]) => id !== e.pointerId).map(([, p]) => p);
    moved += Math.hypot(e.clientX - was[0], e.clientY - was[1]);
    if (others.length) {
      const o = others[0], before = Math.hypot(was[0] - o[0], was[1] - o[1]), now = Math.hypot(e.clientX - o[0], e.clientY - o[1]);
      moved += 100;
      if (before > 0 && now > 0) zoom(now / before, inside({ clientX: (e.clientX + o[0]) / 2, clientY: (e.clientY + o[1]) / 2 }));
    } else if (moved > 8) {
      if (!box.hasPointerCapture(e.pointerId)) box.setPointerCapture(e.pointerId);
      view.x -= (e.clientX - was[0]) / f.px;
      view.y -= (e.clientY - was[1]) / f.px;
      show();
    }
    fingers.set(e.pointerId, [e.clientX, e.clientY]);
  });
  const lift = (e) => {
    if (fingers.delete(e.pointerId) && e.type === "pointerup" && fingers.size === 0 && moved <= 8) tap(e);
  };
  box.addEventListener("pointerup", lift);
  box.addEventListener("pointercancel", lift);
  // The wheel zooms once the map has been chosen; until then it scrolls the page.
  box.addEventListener("wheel", (e) => {
    if (!e.ctrlKey && document.activeElement !== box) return;
    e.preventDefault();
    zoom(Math.exp(-e.deltaY * (e.deltaMode ? 0.05 : 0.0015)), inside(e));
  }, { passive: false });
  box.addEventListener("keydown", (e) => {
    const by = e.shiftKey ? 10 : 1, steps = { ArrowLeft: [-by, 0], ArrowRight: [by, 0], ArrowUp: [0, by], ArrowDown: [0, -by] };
    if (steps[e.key]) {
      const from = node || [Math.round(data.nx / 2), Math.round(data.ny / 2)];
      tell(from[0] + steps[e.key][0], from[1] + steps[e.key][1]);
    } else if (e.key === "+" || e.key === "=") zoom(1.5);
    else if (e.key === "-") zoom(1 / 1.5);
    else if (e.key === "0") { view = { ...whole }; show(); }
    else return;
    e.preventDefault();
  });
  document.getElementById("in").addEventListener("click", () => zoom(1.6));
  document.getElementById("out").addEventListener("click", () => zoom(1 / 1.6));
  document.getElementById("all").addEventListener("click", () => { view = { ...whole }; show(); });
  const photo = document.getElementById("photo");
  if (photo) photo.addEventListener("click", () => {
    const on = box.classList.toggle("with-photo");
    photo.setAttribute("aria-pressed", String(on));
  });
  window.addEventListener("resize", place);
  window.addEventListener("beforeprint", () => { view = { ...whole }; show(); });
})();
