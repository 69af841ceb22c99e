// The small round field, drawn by the graphics processor: one picture, blurred point by point
// as the lens in place differs from the lens that each point of the relief needs.

const VERTEX = `#version 300 es
in vec2 at;
out vec2 v;
void main() { v = at; gl_Position = vec4(at, 0.0, 1.0); }`;

// A disc of points stands for the blur disc; coarser levels of the picture fill its gaps.
const FRAGMENT = `#version 300 es
precision highp float;
in vec2 v;
out vec4 colour;
uniform sampler2D picture, needs;
uniform vec2 centre, corner, range, patch_half, pupil;
uniform float flat_needs, lid, half_view, size, lens, reserve, blur_per_d, level, haze, texels, pixel, veil, scatter;
uniform int red_free;
// A beam 2 mm beside it in the pupil lands 0.4 degrees aside on what is 1 mm, or 2.7 D, nearer.
const float ASIDE_PER_D = 0.15;
void main() {
  vec2 p = vec2(v.x, -v.y) * half_view;
  float off = length(p);
  if (off > half_view) {
    colour = vec4(0.0, 0.0, 0.0, 1.0);
    return;
  }
  vec2 uv = (centre + p - corner) / size;
  float need = mix(range.x, range.y, texture(needs, uv).r);
  float error = lens - need;
  if (error < 0.0) error = min(error + reserve, 0.0);
  // Haze of the media scatters what comes through, whatever the lens.
  float r = 0.5 * length(vec2(error * blur_per_d, scatter)) / size;
  float lod = log2(max(r * texels * 0.45, 1.0));
  vec3 sum = vec3(0.0);
  float turn = 0.0;
  // In focus one point is enough, which is most of the work saved most of the time.
  int points = r * texels < 0.7 ? 1 : r * texels < 3.0 ? 8 : 16;
  for (int k = 0; k < points; k += 1) {
    vec2 step_to = r * sqrt((float(k) + 0.5) / float(points)) * vec2(cos(turn), sin(turn));
    vec3 c = textureLod(picture, uv + step_to, lod).rgb;
    sum += c * c;
    turn += 2.39996323;
  }
  vec3 light = sum / float(points);
  if (veil > 0.0) {
    vec3 about = textureLod(picture, (centre - corner) / size, log2(texels) - 2.5).rgb;
    // What is scattered comes from all around and has lost a little of its red.
    light = mix(light, about * about * vec3(0.92, 1.06, 1.1), veil) * (1.0 - 0.35 * veil);
  }
  if (red_free == 1) {
    // A narrow band of green is absorbed more than the camera's wide one, as a power of it (Beer
    // and Lambert), and the examiner's eye adapts to what comes through.
    float about = textureLod(picture, (centre - corner) / size, log2(texels) - 2.5).g;
    float g = 0.36 * pow(light.g / max(about * about, 0.004), 1.8);
    light = vec3(0.66, 1.0, 0.68) * (1.0 - exp(-g));
  }
  // The lamp's beam enters beside the line of sight: what is raised is lit further aside.
  p.x -= ASIDE_PER_D * (need - flat_needs);
  float lit;
  if (patch_half.x < patch_half.y) {
    lit = 1.0 - smoothstep(patch_half.x - 0.10, patch_half.x + 0.10, abs(p.x));
    lit *= 1.0 - smoothstep(patch_half.y - 0.15, patch_half.y + 0.15, off);
  } else {
    lit = 1.0 - smoothstep(patch_half.x - 0.18, patch_half.x + 0.18, off);
  }
  float through = 1.0 - smoothstep(pupil.x, pupil.y, off);
  // Beyond the lit patch a little light is scattered about; beyond the pupil lies the iris.
  vec3 seen = light * level * (lit + 0.035 * (1.0 - lit));
  vec2 glare = p - vec2(0.0, 1.8);
  seen += haze * lit * exp(-dot(glare, glare) / 5.0) * vec3(1.0, 0.95, 0.86);
  vec3 iris = vec3(0.018, 0.011, 0.007) * (1.0 - smoothstep(pupil.y, 1.5 * pupil.y, off));
  vec3 shown = mix(iris, seen, through);
  // The upper lid, out of focus so near, comes from above.
  float edge = mix(1.35, -1.35, lid) + 0.12 * v.x * v.x;
  shown = mix(shown, vec3(0.050, 0.027, 0.019) * (0.7 + 0.3 * v.y), lid > 0.0 ? smoothstep(edge - 0.28, edge + 0.28, v.y) : 0.0);
  shown *= 1.0 - smoothstep(half_view - 2.0 * pixel, half_view, off);
  colour = vec4(sqrt(clamp(shown, 0.0, 1.0)), 1.0);
}`;

/** Set the view up on a canvas; null where the graphics processor cannot. */
export function lensView(canvas, picture, eye) {
  const gl = canvas.getContext("webgl2", { alpha: false, antialias: false });
  if (!gl) return null;
  const program = gl.createProgram();
  for (const [kind, source] of [[gl.VERTEX_SHADER, VERTEX], [gl.FRAGMENT_SHADER, FRAGMENT]]) {
    const shader = gl.createShader(kind);
    gl.shaderSource(shader, source);
    gl.compileShader(shader);
    gl.attachShader(program, shader);
  }
  gl.bindAttribLocation(program, 0, "at");
  gl.linkProgram(program);
  if (!gl.getProgramParameter(program, gl.LINK_STATUS)) return null;
  gl.useProgram(program);
  const buffer = gl.createBuffer();
  gl.bindBuffer(gl.ARRAY_BUFFER, buffer);
  gl.bufferData(gl.ARRAY_BUFFER, new Float32Array([-1, -1, 3, -1, -1, 3]), gl.STATIC_DRAW);
  gl.enableVertexAttribArray(0);
  gl.vertexAttribPointer(0, 2, gl.FLOAT, false, 0, 0);
  const place = new Proxy({}, { get: (kept, name) => (kept[name] ??= gl.getUniformLocation(program, name)) });

  gl.activeTexture(gl.TEXTURE0);
  gl.bindTexture(gl.TEXTURE_2D, gl.createTexture());
  gl.texImage2D(gl.TEXTURE_2D, 0, gl.RGBA, gl.RGBA, gl.UNSIGNED_BYTE, picture);
  gl.generateMipmap(gl.TEXTURE_2D);
  gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_MIN_FILTER, gl.LINEAR_MIPMAP_LINEAR);
  clamp(gl);
  const [low, high] = [Math.min(...eye.needs), Math.max(...eye.needs)];
  const n = Math.sqrt(eye.needs.length);
  const bytes = Uint8Array.from(eye.needs, (need) => Math.round((255 * (need - low)) / Math.max(high - low, 1)));
  gl.activeTexture(gl.TEXTURE1);
  gl.bindTexture(gl.TEXTURE_2D, gl.createTexture());
  gl.pixelStorei(gl.UNPACK_ALIGNMENT, 1);
  gl.texImage2D(gl.TEXTURE_2D, 0, gl.R8, n, n, 0, gl.RED, gl.UNSIGNED_BYTE, bytes);
  gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_MIN_FILTER, gl.LINEAR);
  clamp(gl);

  gl.uniform1i(place.picture, 0);
  gl.uniform1i(place.needs, 1);
  gl.uniform2f(place.corner, eye.left / 100, eye.top / 100);
  gl.uniform1f(place.size, eye.size / 100);
  gl.uniform2f(place.range, low / 100, high / 100);
  gl.uniform2f(place.pupil, eye.fades[0], eye.fades[1]);
  gl.uniform1f(place.half_view, eye.half);
  gl.uniform1f(place.flat_needs, eye.flat);
  gl.uniform1f(place.reserve, eye.reserve);
  gl.uniform1f(place.blur_per_d, eye.blur);
  gl.uniform1f(place.haze, eye.haze);
  gl.uniform1f(place.veil, eye.veil ?? 0);
  gl.uniform1f(place.scatter, eye.scatter ?? 0);
  gl.uniform1f(place.texels, picture.naturalWidth);

  return (state, aperture, lid) => {
    gl.useProgram(program);
    gl.uniform1f(place.lid, lid);
    gl.viewport(0, 0, canvas.width, canvas.height);
    gl.uniform2f(place.centre, state.x, state.y);
    gl.uniform1f(place.lens, state.lens);
    gl.uniform2f(place.patch_half, aperture.width / 2, aperture.height / 2);
    gl.uniform1i(place.red_free, aperture.redFree ? 1 : 0);
    gl.uniform1f(place.level, eye.level);
    gl.uniform1f(place.pixel, (2 * eye.half) / canvas.width);
    gl.drawArrays(gl.TRIANGLES, 0, 3);
  };
}

function clamp(gl) {
  gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_MAG_FILTER, gl.LINEAR);
  gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_WRAP_S, gl.CLAMP_TO_EDGE);
  gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_WRAP_T, gl.CLAMP_TO_EDGE);
}
