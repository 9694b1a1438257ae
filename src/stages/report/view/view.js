// The view: what is shown, and how mouse, touch and keys turn it. It draws only after something has changed.

const box = document.getElementById("turning");
const canvas = box.querySelector("canvas");
const label = box.querySelector(".turning-name");
const slider = box.querySelector("input[type=range]");
const partButtons = [...box.querySelectorAll("[data-part]")];
const calm = matchMedia("(prefers-reduced-motion: reduce)");
const FRONT = { yaw: 0, pitch: 0.08, zoom: 1, pan: [0, 0] };
const state = { ...structuredClone(FRONT), mode: 0, pulled: 0, picked: -1 };
let data, shapes, paint, boxes, waiting = 0, gliding = 0;

function fail(error) {
  box.hidden = true;
  document.documentElement.classList.remove("turns");
  box.dataset.state = "failed";
  if (error) console.error(error);
}

function change(more) {
  Object.assign(state, more);
  if (!waiting && paint) waiting = requestAnimationFrame(draw);
}

// Lowest and highest corner of all parts as far apart as they are.
function bounds() {
  const low = [Infinity, Infinity, Infinity], high = [-Infinity, -Infinity, -Infinity];
  data.parts.forEach((part, i) => part.apart.forEach((shift, k) => {
    low[k] = Math.min(low[k], boxes[i][0][k] + shift * state.pulled);
    high[k] = Math.max(high[k], boxes[i][1][k] + shift * state.pulled);
  }));
  return [low, high];
}

// Everything the shaders need: x to the right, y upwards, z to the eye; the figure's front looks along -y.
function viewNow() {
  const [low, high] = bounds();
  const size = low.map((x, k) => high[k] - x);
  const radius = Math.max(Math.hypot(...size) / 2, 1e-6);
  const [c, s, u, v] = [Math.cos(state.yaw), -Math.sin(state.yaw), Math.cos(state.pitch), Math.sin(state.pitch)];
  const aspect = canvas.width / canvas.height;
  const half = 1.1 * Math.max(size[2] / 2, Math.hypot(size[0], size[1]) / 2 / aspect, 1e-6);
  return {
    turn: [c, -s * v, s * u, s, c * v, -c * u, 0, u, v],
    centre: low.map((x, k) => (x + high[k]) / 2),
    lens: [5 * radius, 1.2 * radius, 0, 0],
    frame: [state.zoom / half / aspect, state.zoom / half, ...state.pan],
    pulled: state.pulled, mode: state.mode, picked: state.picked,
    spot: Math.round(canvas.height / canvas.clientHeight * 11),
  };
}

function draw() {
  waiting = 0;
  const scale = Math.min(devicePixelRatio || 1, 2);
  const [width, height] = [canvas.clientWidth, canvas.clientHeight].map((x) => Math.max(1, Math.round(x * scale)));
  if (canvas.width !== width || canvas.height !== height) Object.assign(canvas, { width, height });
  paint.draw(viewNow());
  box.dataset.drawn = Number(box.dataset.drawn || 0) + 1;
}

function glideTo(goal) {
  cancelAnimationFrame(gliding);
  const from = structuredClone(state), start = performance.now();
  const turns = Math.round((from.yaw - goal.yaw) / (2 * Math.PI)) * 2 * Math.PI;
  const mix = (a, b, t) => a + (b - a) * t;
  function step(now) {
    const t = calm.matches ? 1 : Math.min(1, (now - start) / 300), ease = t * t * (3 - 2 * t);
    change({
      yaw: mix(from.yaw, goal.yaw + turns, ease), pitch: mix(from.pitch, goal.pitch, ease),
      zoom: mix(from.zoom, goal.zoom, ease), pan: goal.pan.map((x, k) => mix(from.pan[k], x, ease)),
    });
    if (t < 1) gliding = requestAnimationFrame(step);
  }
  step(start);
}

function turnBy(across, up) {
  cancelAnimationFrame(gliding);
  change({ yaw: state.yaw + across, pitch: Math.max(-1.5, Math.min(1.5, state.pitch + up)) });
}

function panBy(x, y) {
  cancelAnimationFrame(gliding);
  change({ pan: [state.pan[0] + x, state.pan[1] + y] });
}

// What lies under `at` (-1 to 1 across and up) stays there.
function zoomBy(factor, at = [0, 0]) {
  cancelAnimationFrame(gliding);
  const zoom = Math.max(0.6, Math.min(25, state.zoom * factor));
  const real = zoom / state.zoom;
  change({ zoom, pan: state.pan.map((x, k) => at[k] - (at[k] - x) * real) });
}

function placeOf(event) {
  const frame = canvas.getBoundingClientRect();
  return [2 * (event.clientX - frame.left) / frame.width - 1, 1 - 2 * (event.clientY - frame.top) / frame.height];
}

function partUnder(event) {
  if (partButtons.length === 0) return -1;
  const [x, y] = placeOf(event);
  return paint.partAt(viewNow(), Math.floor((x + 1) / 2 * canvas.width), Math.floor((y + 1) / 2 * canvas.height));
}

function name(part) {
  const shown = part >= 0 ? part : state.picked;
  label.textContent = shown >= 0 ? partButtons[shown].dataset.name : "";
}

function pick(part) {
  const picked = part === state.picked ? -1 : part;
  partButtons.forEach((button, i) => button.setAttribute("aria-pressed", String(i === picked)));
  change({ picked });
  name(-1);
}

const pointers = new Map();
let moved = 0, hovering = 0;

canvas.addEventListener("pointerdown", (event) => {
  if (!paint) return;
  pointers.set(event.pointerId, event);
  canvas.setPointerCapture(event.pointerId);
  if (pointers.size === 1) moved = 0;
});

canvas.addEventListener("pointermove", (event) => {
  const before = pointers.get(event.pointerId);
  if (!before) {
    if (event.pointerType === "mouse" && paint && !hovering) {
      hovering = setTimeout(() => { hovering = 0; if (paint && !pointers.size) name(partUnder(event)); }, 60);
    }
    return;
  }
  const [x, y] = [event.clientX - before.clientX, event.clientY - before.clientY];
  moved += Math.abs(x) + Math.abs(y);
  const others = [...pointers.values()].filter((pointer) => pointer !== before);
  pointers.set(event.pointerId, event);
  const [width, height] = [canvas.clientWidth, canvas.clientHeight];
  if (others.length > 0) {
    const apart = (pointer) => Math.hypot(pointer.clientX - others[0].clientX, pointer.clientY - others[0].clientY);
    const middle = placeOf(event).map((at, k) => (at + placeOf(others[0])[k]) / 2);
    panBy(x / width, -y / height);
    zoomBy(apart(event) / Math.max(apart(before), 1), middle);
  } else if (event.shiftKey || event.buttons & 6) {
    panBy(2 * x / width, -2 * y / height);
  } else {
    turnBy(x * 0.009, event.pointerType === "touch" ? 0 : y * 0.009);
  }
});

for (const end of ["pointerup", "pointercancel"]) {
  canvas.addEventListener(end, (event) => {
    const was = pointers.delete(event.pointerId);
    if (was && end === "pointerup" && moved < 6 && !pointers.size && event.button === 0) pick(partUnder(event));
  });
}
canvas.addEventListener("pointerleave", () => name(-1));
canvas.addEventListener("contextmenu", (event) => event.preventDefault());

// The page scrolls under a wheel until the figure has been clicked.
canvas.addEventListener("wheel", (event) => {
  if (!paint || !(event.ctrlKey || document.activeElement === canvas)) return;
  event.preventDefault();
  const lines = event.deltaMode === 1 ? 30 : 1;
  zoomBy(Math.exp(-event.deltaY * lines * (event.ctrlKey ? 0.01 : 0.0015)), placeOf(event));
}, { passive: false });

const KEYS = {
  ArrowLeft: (far) => far ? panBy(0.1, 0) : turnBy(-0.12, 0), ArrowRight: (far) => far ? panBy(-0.1, 0) : turnBy(0.12, 0),
  ArrowUp: (far) => far ? panBy(0, -0.1) : turnBy(0, -0.12), ArrowDown: (far) => far ? panBy(0, 0.1) : turnBy(0, 0.12),
  "+": () => zoomBy(1.25), "=": () => zoomBy(1.25), "-": () => zoomBy(0.8), Home: () => glideTo(FRONT),
  Escape: () => pick(state.picked),
};
canvas.addEventListener("keydown", (event) => {
  const act = KEYS[event.key];
  if (!act || event.ctrlKey || event.altKey || event.metaKey) return;
  event.preventDefault();
  act(event.shiftKey);
});

const BUTTONS = {
  front: () => glideTo(FRONT), back: () => glideTo({ ...FRONT, yaw: Math.PI }),
  closer: () => zoomBy(1.4), farther: () => zoomBy(1 / 1.4),
};
box.querySelectorAll("[data-do]").forEach((button) => button.addEventListener("click", BUTTONS[button.dataset.do]));
partButtons.forEach((button, i) => button.addEventListener("click", () => pick(i)));
slider?.addEventListener("input", () => change({ pulled: slider.value / slider.max }));

function readMode() {
  const chosen = box.querySelector("[name=turning-mode]:checked");
  box.dataset.mode = chosen.dataset.kind;
  change({ mode: Number(chosen.value) });
}
box.querySelectorAll("[name=turning-mode]").forEach((radio) => radio.addEventListener("change", readMode));

// Decoding waits until the view is near the window.
function start() {
  try {
    data ??= JSON.parse(document.getElementById("turning-data").textContent);
    shapes ??= data.parts.map((part) => decodePart(part, data.shades));
    boxes ??= data.parts.map((part, i) => boxOf(part, shapes[i]));
    data.parts.forEach((part) => { part.bytes = ""; });
    paint = painter(gl, data, shapes);
    box.dataset.state = "ready";
    if (slider) state.pulled = slider.value / slider.max;
    readMode();
  } catch (error) {
    fail(error);
  }
}

function show() {
  box.hidden = false;
  document.documentElement.classList.add("turns");
}

const gl = canvas.getContext("webgl2", { alpha: true, antialias: true, powerPreference: "low-power" });
canvas.addEventListener("webglcontextlost", (event) => {
  event.preventDefault();
  cancelAnimationFrame(waiting);
  [paint, waiting] = [null, 0];
  fail();
});
canvas.addEventListener("webglcontextrestored", () => { show(); start(); });
if (gl) {
  show();
  const near = new IntersectionObserver((seen) => {
    if (!seen.some((entry) => entry.isIntersecting)) return;
    near.disconnect();
    setTimeout(start);
  }, { rootMargin: "50%" });
  near.observe(box);
  new ResizeObserver(() => change()).observe(canvas);
} else {
  fail();
}
