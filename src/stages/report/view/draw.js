// Drawing: one program for parts, one for marks. Colours are mixed in linear light.

const VERTEX = `#version 300 es
layout(location = 0) in vec3 place;
layout(location = 1) in vec4 facing;
layout(location = 2) in vec3 printed;
layout(location = 3) in vec3 scanned;
uniform vec3 low, apart, centre;
uniform float stride, spot;
uniform mat3 turn;
uniform vec4 lens, frame;
out vec3 seen, normal, print, scan;
flat out float kind;
void main() {
  seen = turn * (low + stride * place + apart - centre);
  normal = turn * facing.xyz;
  kind = facing.w;
  print = printed;
  scan = scanned;
  float depth = lens.x - seen.z;
  float nearer = spot > 0.0 ? depth - lens.y * 0.01 : depth;
  vec2 flatPlace = seen.xy * frame.xy * lens.x + frame.zw * depth;
  gl_Position = vec4(flatPlace, (2.0 * lens.x * nearer - 2.0 * (lens.x * lens.x - lens.y * lens.y)) / (2.0 * lens.y), depth);
  gl_PointSize = spot;
}`;

const FRAGMENT = `#version 300 es
precision highp float;
in vec3 seen, normal, print, scan;
flat in float kind;
uniform int mode;
uniform vec3 own, fill;
uniform float faded;
out vec4 colour;
vec3 linear(vec3 c) { return mix(c / 12.92, pow((c + 0.055) / 1.055, vec3(2.4)), step(0.04045, c)); }
vec3 encoded(vec3 c) { return mix(c * 12.92, 1.055 * pow(c, vec3(1.0 / 2.4)) - 0.055, step(0.0031308, c)); }
void main() {
  if (mode == 4) { colour = vec4(own, 1.0); return; }
  vec3 face = normalize(cross(dFdx(seen), dFdy(seen)));
  vec3 n = kind > 1.5 || dot(normal, normal) < 0.1 ? face : normalize(normal);
  vec3 paint = mode == 0 ? print : mode == 2 ? scan : own;
  if (mode == 3 && kind > 0.5 && kind < 1.5) paint = fill;
  float sky = 0.5 + 0.5 * n.y;
  float key = max(dot(n, normalize(vec3(-0.45, 0.5, 0.75))), 0.0);
  float rim = max(dot(n, normalize(vec3(0.8, 0.1, 0.3))), 0.0);
  vec3 light = linear(paint) * (0.28 + 0.25 * sky + 0.6 * key + 0.12 * rim);
  colour = vec4(encoded(clamp(mix(light, vec3(0.45, 0.48, 0.48), faded), 0.0, 1.0)), 1.0);
}`;

const SPOT = `#version 300 es
precision highp float;
uniform vec3 fill;
out vec4 colour;
void main() {
  float r = length(gl_PointCoord - 0.5);
  if (r > 0.5) discard;
  colour = vec4(r > 0.36 ? vec3(1.0) : fill, 1.0);
}`;

function rgb(hex) {
  return [1, 3, 5].map((i) => parseInt(hex.slice(i, i + 2), 16) / 255);
}

function program(gl, fragment) {
  const made = gl.createProgram();
  for (const [kind, text] of [[gl.VERTEX_SHADER, VERTEX], [gl.FRAGMENT_SHADER, fragment]]) {
    const shader = gl.createShader(kind);
    gl.shaderSource(shader, text);
    gl.compileShader(shader);
    gl.attachShader(made, shader);
  }
  gl.linkProgram(made);
  if (!gl.getProgramParameter(made, gl.LINK_STATUS) && !gl.isContextLost()) {
    throw new Error(gl.getProgramInfoLog(made));
  }
  const at = {};
  for (let i = 0; i < gl.getProgramParameter(made, gl.ACTIVE_UNIFORMS); i++) {
    const { name } = gl.getActiveUniform(made, i);
    at[name] = gl.getUniformLocation(made, name);
  }
  return { made, at };
}

// Buffers of one part; marks are points of the same layout that use the place alone.
function upload(gl, part, shape) {
  const surface = gl.createVertexArray();
  gl.bindVertexArray(surface);
  gl.bindBuffer(gl.ARRAY_BUFFER, gl.createBuffer());
  gl.bufferData(gl.ARRAY_BUFFER, shape.vertices, gl.STATIC_DRAW);
  [[3, gl.UNSIGNED_SHORT, false, 0], [4, gl.BYTE, false, 8], [3, gl.UNSIGNED_BYTE, true, 12], [3, gl.UNSIGNED_BYTE, true, 16]]
    .forEach(([size, type, scaled, offset], i) => {
      gl.enableVertexAttribArray(i);
      gl.vertexAttribPointer(i, size, type, scaled, 20, offset);
    });
  gl.bindBuffer(gl.ELEMENT_ARRAY_BUFFER, gl.createBuffer());
  gl.bufferData(gl.ELEMENT_ARRAY_BUFFER, shape.indices, gl.STATIC_DRAW);
  const marks = part.marks.map((points) => {
    const kind = gl.createVertexArray();
    gl.bindVertexArray(kind);
    gl.bindBuffer(gl.ARRAY_BUFFER, gl.createBuffer());
    gl.bufferData(gl.ARRAY_BUFFER, new Float32Array(points.flat()), gl.STATIC_DRAW);
    gl.enableVertexAttribArray(0);
    gl.vertexAttribPointer(0, 3, gl.FLOAT, false, 0, 0);
    return kind;
  });
  gl.bindVertexArray(null);
  return { surface, marks, corners: shape.indices.length };
}

function painter(gl, data, shapes) {
  const [parts, spots] = [program(gl, FRAGMENT), program(gl, SPOT)];
  const buffers = data.parts.map((part, i) => upload(gl, part, shapes[i]));
  const [fill, thin, named, spot] = data.found.map(rgb);
  const onePixel = gl.createFramebuffer();
  gl.bindFramebuffer(gl.FRAMEBUFFER, onePixel);
  for (const [where, format] of [[gl.COLOR_ATTACHMENT0, gl.RGBA8], [gl.DEPTH_ATTACHMENT, gl.DEPTH_COMPONENT16]]) {
    const store = gl.createRenderbuffer();
    gl.bindRenderbuffer(gl.RENDERBUFFER, store);
    gl.renderbufferStorage(gl.RENDERBUFFER, format, 1, 1);
    gl.framebufferRenderbuffer(gl.FRAMEBUFFER, where, gl.RENDERBUFFER, store);
  }
  gl.bindFramebuffer(gl.FRAMEBUFFER, null);

  function aim({ made, at }, view) {
    gl.useProgram(made);
    gl.uniformMatrix3fv(at.turn, false, view.turn);
    gl.uniform3fv(at.centre, view.centre);
    gl.uniform4fv(at.lens, view.lens);
    gl.uniform4fv(at.frame, view.frame);
  }

  function surfaces(view, mode, colourOf) {
    const { at } = parts;
    aim(parts, view);
    gl.uniform1i(at.mode, mode);
    gl.uniform3fv(at.fill, fill);
    data.parts.forEach((part, i) => {
      gl.uniform3fv(at.low, part.low);
      gl.uniform1f(at.stride, part.step);
      gl.uniform3fv(at.apart, part.apart.map((x) => x * view.pulled));
      gl.uniform3fv(at.own, colourOf(part, i));
      gl.uniform1f(at.faded, view.picked >= 0 && view.picked !== i ? 0.72 : 0);
      gl.bindVertexArray(buffers[i].surface);
      gl.drawElements(gl.TRIANGLES, buffers[i].corners, gl.UNSIGNED_INT, 0);
    });
  }

  function spotsOf(view) {
    const { at } = spots;
    aim(spots, view);
    gl.uniform1f(at.spot, view.spot);
    gl.uniform3fv(at.low, [0, 0, 0]);
    gl.uniform1f(at.stride, 1);
    data.parts.forEach((part, i) => {
      gl.uniform3fv(at.apart, part.apart.map((x) => x * view.pulled));
      [thin, spot].forEach((colour, kind) => {
        if (part.marks[kind].length === 0) return;
        gl.uniform3fv(at.fill, colour);
        gl.bindVertexArray(buffers[i].marks[kind]);
        gl.drawArrays(gl.POINTS, 0, part.marks[kind].length);
      });
    });
  }

  gl.enable(gl.DEPTH_TEST);
  return {
    draw(view) {
      gl.viewport(0, 0, gl.drawingBufferWidth, gl.drawingBufferHeight);
      gl.clearColor(0, 0, 0, 0);
      gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
      const grey = [0.74, 0.75, 0.73];
      surfaces(view, view.mode, (part) => view.mode === 1 ? rgb(part.colour) : part.named ? named : grey);
      if (view.mode === 3) spotsOf(view);
    },
    // The part under a pixel, counted from the lower left corner, or -1.
    partAt(view, x, y) {
      gl.bindFramebuffer(gl.FRAMEBUFFER, onePixel);
      gl.viewport(-x, -y, gl.drawingBufferWidth, gl.drawingBufferHeight);
      gl.clearColor(0, 0, 0, 0);
      gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
      surfaces(view, 4, (part, i) => [(i + 1 & 255) / 255, (i + 1 >> 8) / 255, 0]);
      const pixel = new Uint8Array(4);
      gl.readPixels(0, 0, 1, 1, gl.RGBA, gl.UNSIGNED_BYTE, pixel);
      gl.bindFramebuffer(gl.FRAMEBUFFER, null);
      return pixel[0] + 256 * pixel[1] - 1;
    },
  };
}
