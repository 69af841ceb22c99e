// The eye from an arm's length, and coming nearer: lids, iris, and the red reflex in the pupil.
// It is laid over the view of the fundus, which shows through the pupil once one is near.

const VERTEX = `#version 300 es
in vec2 at;
out vec2 v;
void main() { v = at; gl_Position = vec4(at, 0.0, 1.0); }`;

const FRAGMENT = `#version 300 es
precision highp float;
in vec2 v;
out vec4 colour;
uniform sampler2D reflex;
uniform float half_mm, pupil, shift, narrow, level, near, pixel;
const float LIDS = 13.5, IRIS = 5.9;
void main() {
  vec2 p = vec2(v.x, -v.y) * half_mm;
  float off = length(v);
  if (off > 1.0) {
    colour = vec4(0.0, 0.0, 0.0, 1.0);
    return;
  }
  // The nearer, the less the edge of the pupil is in focus.
  float soft = pixel + 0.5 * near * near;
  vec2 round_p = vec2(p.x / narrow, p.y);
  float r = length(round_p);
  float turn = atan(round_p.y, round_p.x);
  vec2 lid = vec2(p.x + shift, p.y - 0.3);
  float open = 1.0 - lid.x * lid.x / (LIDS * LIDS);
  float gap = min(lid.y + 5.0 * open, 4.6 * open - lid.y);
  // The lamp lights a patch about the pupil; the room is dim.
  float lamp = mix(0.16, 1.0, exp(-dot(p, p) / 90.0));
  float folds = 0.82 + 0.18 * smoothstep(0.0, 2.4, abs(lid.y + 5.0 * max(open, 0.0) + 2.2));
  vec3 skin = vec3(0.22, 0.115, 0.075) * folds * (0.75 + 0.25 * smoothstep(0.0, -1.2, gap));
  vec3 white = vec3(0.36, 0.33, 0.30) * (0.55 + 0.45 * smoothstep(0.0, 2.2, gap));
  float fibres = 0.8 + 0.1 * sin(57.0 * turn + 2.0 * sin(5.0 * turn)) + 0.1 * sin(23.0 * turn + 1.7 * r);
  float collarette = 1.0 + 0.3 * exp(-pow((r - 0.5 * pupil - 1.0) / 0.5, 2.0));
  vec3 iris = vec3(0.105, 0.062, 0.034) * fibres * collarette * (1.0 - 0.6 * smoothstep(4.9, IRIS, r));
  vec3 seen = mix(white, iris, 1.0 - smoothstep(IRIS - 0.25, IRIS + 0.25, r));
  float hole = 1.0 - smoothstep(0.5 * pupil - soft, 0.5 * pupil + soft, r);
  float light = texture(reflex, round_p / pupil + 0.5).r;
  vec3 glow = level * mix(light, light * light, 0.15) * vec3(0.78, 0.16, 0.04);
  seen = mix(seen * lamp, glow, hole);
  seen = mix(skin * lamp, seen, smoothstep(-pixel, pixel + 0.12, gap));
  // The lamp's own image on the cornea, a little below where one looks from.
  vec2 glint = p - vec2(0.0, 0.9);
  seen += (1.0 - smoothstep(0.22, 0.22 + 2.0 * pixel, length(glint))) * vec3(0.95, 0.92, 0.85) * (1.0 - near);
  float edge = 1.0 - smoothstep(1.0 - 2.0 * pixel / half_mm, 1.0, off);
  float shown = mix(smoothstep(0.8, 1.0, near), smoothstep(0.66, 0.98, near), hole);
  colour = vec4(sqrt(clamp(seen * edge, 0.0, 1.0)), 1.0 - shown);
}`;

/** Set the first step up on the canvas of the view; null where the graphics processor cannot. */
export function reflexView(canvas, { half, pupil, shift, narrow, level, size, light }, nearest) {
  const gl = canvas.getContext("webgl2");
  const program = gl.createProgram();
  for (const [kind, source] of [[gl.VERTEX_SHADER, VERTEX], [gl.FRAGMENT_SHADER, FRAGMENT]]) {
    const shader = gl.createShader(kind);
    gl.shaderSource(shader, source);
    gl.compileShader(shader);
    gl.attachShader(program, shader);
  }
  // The corners that the view of the fundus has laid there are used again.
  gl.bindAttribLocation(program, 0, "at");
  gl.linkProgram(program);
  if (!gl.getProgramParameter(program, gl.LINK_STATUS)) return null;
  gl.useProgram(program);
  const place = (name) => gl.getUniformLocation(program, name);
  const [halfMm, near, pixel] = ["half_mm", "near", "pixel"].map(place);

  gl.activeTexture(gl.TEXTURE2);
  gl.bindTexture(gl.TEXTURE_2D, gl.createTexture());
  gl.pixelStorei(gl.UNPACK_ALIGNMENT, 1);
  gl.texImage2D(gl.TEXTURE_2D, 0, gl.R8, size, size, 0, gl.RED, gl.UNSIGNED_BYTE, Uint8Array.from(light));
  for (const filter of [gl.TEXTURE_MIN_FILTER, gl.TEXTURE_MAG_FILTER]) gl.texParameteri(gl.TEXTURE_2D, filter, gl.LINEAR);
  for (const wrap of [gl.TEXTURE_WRAP_S, gl.TEXTURE_WRAP_T]) gl.texParameteri(gl.TEXTURE_2D, wrap, gl.CLAMP_TO_EDGE);
  gl.uniform1i(place("reflex"), 2);
  for (const [name, value] of Object.entries({ pupil, shift, narrow, level })) gl.uniform1f(place(name), value);

  /** Draw over what is there; how near is 0 at arm's length, 1 before the eye. */
  return (nearness) => {
    const width = half * (nearest / half) ** nearness;
    gl.useProgram(program);
    gl.viewport(0, 0, canvas.width, canvas.height);
    gl.uniform1f(near, nearness);
    gl.uniform1f(halfMm, width);
    gl.uniform1f(pixel, (2 * width) / canvas.width);
    gl.enable(gl.BLEND);
    gl.blendFuncSeparate(gl.SRC_ALPHA, gl.ONE_MINUS_SRC_ALPHA, gl.ZERO, gl.ONE);
    gl.drawArrays(gl.TRIANGLES, 0, 3);
    gl.disable(gl.BLEND);
  };
}
