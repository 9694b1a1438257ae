// Bytes of a part, as pack.rs wrote them, to vertices and corners for the graphics card.

function bytesOf(text) {
  const raw = atob(text);
  const bytes = new Uint8Array(raw.length);
  for (let i = 0; i < raw.length; i++) bytes[i] = raw.charCodeAt(i);
  return bytes;
}

function decodePart(part, shades) {
  const bytes = bytesOf(part.bytes);
  const count = part.vertices;
  const places = new Uint16Array(3 * count);
  for (let i = 0; i < 3 * count; i++) places[i] = bytes[2 * i] | bytes[2 * i + 1] << 8;
  const colours = bytes.subarray(6 * count, 9 * count);
  let at = 9 * count;
  function number() {
    let value = 0, shift = 0, byte;
    do {
      byte = bytes[at++];
      value |= (byte & 127) << shift;
      shift += 7;
    } while (byte > 127);
    return value;
  }
  const classes = new Uint16Array(part.triangles);
  for (let t = 0; t < part.triangles;) {
    const value = bytes[at] | bytes[at + 1] << 8;
    at += 2;
    const end = t + number();
    classes.fill(value, t, end);
    t = end;
  }
  const corners = new Uint32Array(3 * part.triangles);
  for (let i = 0, next = 0; i < corners.length; i++) {
    const code = number();
    corners[i] = next - code;
    if (code === 0) next++;
  }
  return dressPart({ places, colours, classes, corners }, shades);
}

// Normals from the outside and from cut faces are kept apart, so that the rim of a cut stays sharp.
function normalsOf({ places, classes, corners }) {
  const sums = [new Float32Array(places.length), new Float32Array(places.length)];
  for (let t = 0; t < classes.length; t++) {
    const sum = sums[classes[t] >> 8 === 2 ? 1 : 0];
    const [a, b, c] = [3 * corners[3 * t], 3 * corners[3 * t + 1], 3 * corners[3 * t + 2]];
    const [ux, uy, uz] = [places[b] - places[a], places[b + 1] - places[a + 1], places[b + 2] - places[a + 2]];
    const [vx, vy, vz] = [places[c] - places[a], places[c + 1] - places[a + 1], places[c + 2] - places[a + 2]];
    const [x, y, z] = [uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx];
    for (const v of [a, b, c]) {
      sum[v] += x;
      sum[v + 1] += y;
      sum[v + 2] += z;
    }
  }
  return sums;
}

// A vertex is written once for each class of triangles at it: 20 bytes of place, normal, kind, printed and scanned colour.
function dressPart(raw, shades) {
  const { places, colours, classes, corners } = raw;
  const sums = normalsOf(raw);
  const names = new Map();
  const sources = [];
  const indices = new Uint32Array(corners.length);
  for (let i = 0; i < corners.length; i++) {
    const key = corners[i] * 65536 + classes[i / 3 | 0];
    let name = names.get(key);
    if (name === undefined) {
      name = sources.length;
      names.set(key, name);
      sources.push(key);
    }
    indices[i] = name;
  }
  const vertices = new DataView(new ArrayBuffer(20 * sources.length));
  sources.forEach((key, i) => {
    const v = 3 * Math.floor(key / 65536), kind = key >> 8 & 255, shade = shades[key & 255];
    const sum = sums[kind === 2 ? 1 : 0];
    const length = Math.hypot(sum[v], sum[v + 1], sum[v + 2]) || 1;
    for (let k = 0; k < 3; k++) {
      vertices.setUint16(20 * i + 2 * k, places[v + k], true);
      vertices.setInt8(20 * i + 8 + k, Math.round(127 * sum[v + k] / length));
      vertices.setUint8(20 * i + 12 + k, shade ? shade[k] : colours[v + k]);
      vertices.setUint8(20 * i + 16 + k, colours[v + k]);
    }
    vertices.setUint8(20 * i + 11, kind);
  });
  return { vertices: vertices.buffer, indices };
}

// Lowest and highest corner of a part, mm.
function boxOf(part, shape) {
  const steps = new Uint16Array(shape.vertices);
  const low = [Infinity, Infinity, Infinity], high = [-Infinity, -Infinity, -Infinity];
  for (let i = 0; i < steps.length; i += 10) {
    for (let k = 0; k < 3; k++) {
      low[k] = Math.min(low[k], steps[i + k]);
      high[k] = Math.max(high[k], steps[i + k]);
    }
  }
  const place = (corner) => corner.map((steps, k) => part.low[k] + steps * part.step);
  return steps.length ? [place(low), place(high)] : [part.low, part.low];
}
