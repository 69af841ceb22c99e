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
uniform float half_mm, pupil, shift, narrow, level, near, pixel, depth, across, stray, slant;
const float LIDS = 13.5, IRIS = 5.9, LIDS_BEFORE = 4.0, GLINT_BEHIND = 4.9;
void main() {
  vec2 p = vec2(v.x, -v.y) * half_mm;
  float off = length(v);
  if (off > 1.0) {
    colour = vec4(0.0, 0.0, 0.0, 1.0);
    return;
  }
  // The nearer, the less the edge of the pupil is in focus.
  float soft = pixel + 0.06 + 0.5 * near * near;
  vec2 round_p = vec2(p.x / narrow, p.y);
  float r = length(round_p);
  float turn = atan(round_p.y, round_p.x);
  float nose = sign(shift);
  // From the side, what lies before the pupil moves against one, and what lies behind it along.
  vec2 lid = vec2(p.x + shift + LIDS_BEFORE * slant, p.y - 0.3);
  float open = 1.0 - lid.x * lid.x / (LIDS * LIDS);
  float above = lid.y + 5.0 * open;
  float below = 4.6 * open - lid.y;
  float gap = min(above, below);
  // The lamp lights a patch about the pupil; the room is dim.
  float lamp = mix(0.12, 1.0, exp(-dot(p, p) / 80.0));
  float crease = abs(above + 2.6 * sqrt(max(open, 0.0)));
  vec3 skin = vec3(0.27, 0.145, 0.100) * (1.0 - 0.34 * (1.0 - smoothstep(0.0, 1.3, crease)) * smoothstep(0.02, 0.3, open)) * (0.72 + 0.28 * smoothstep(0.0, -1.4, gap));
  // Lashes leave the edges of the lids, the upper ones longer.
  float upper = above < below ? 1.0 : 0.0;
  float long_lash = mix(1.3, 2.6, upper) * smoothstep(0.05, 0.4, open);
  float along = (lid.x + 1.7) * (1.3 + 0.09 * gap) + 0.25 * gap;
  float uneven = 0.72 + 0.28 * sin(3.7 * along + 1.3);
  float lash = smoothstep(0.72, 1.0, abs(sin(2.6 * along + 0.5 * sin(4.3 * along)))) * smoothstep(-long_lash * uneven, 0.0, gap);
  skin *= 1.0 - mix(0.3, 0.6, upper) * lash;
  float shade = 0.5 + 0.5 * smoothstep(0.0, 2.6, above);
  vec3 white = vec3(0.50, 0.455, 0.415) * shade * (0.75 + 0.25 * smoothstep(0.0, 0.9, below));
  float corner = smoothstep(9.6, 12.2, lid.x * nose);
  white = mix(white, vec3(0.40, 0.165, 0.135) * shade, corner);
  float fibres = 0.8 + 0.1 * sin(57.0 * turn + 2.0 * sin(5.0 * turn)) + 0.1 * sin(23.0 * turn + 1.7 * r);
  float collarette = 1.0 + 0.3 * exp(-pow((r - 0.5 * pupil - 1.0) / 0.5, 2.0));
  float ruff = 1.0 - 0.55 * exp(-pow((r - 0.5 * pupil - 0.1) / 0.16, 2.0));
  vec3 iris = vec3(0.115, 0.068, 0.038) * fibres * collarette * ruff * (1.0 - 0.6 * smoothstep(4.9, IRIS, r)) * (0.55 + 0.45 * smoothstep(0.0, 2.6, above));
  vec3 seen = mix(white, iris, 1.0 - smoothstep(IRIS - 0.25, IRIS + 0.25, r));
  float hole = 1.0 - smoothstep(0.5 * pupil - soft, 0.5 * pupil + soft, r);
  float light = texture(reflex, (round_p - vec2(depth * slant, 0.0)) / across + 0.5).r;
  // Even, but no painted disc: redder towards the edge of the pupil, and paler to the nose,
  // where the disc returns the light.
  float rim = clamp(2.0 * r / pupil, 0.0, 1.0);
  float pale = clamp(0.5 + 0.5 * nose * round_p.x / pupil - 0.25 * round_p.y / pupil, 0.0, 1.0);
  vec3 glow = mix(vec3(0.80, 0.170, 0.040), vec3(0.52, 0.070, 0.014), rim * rim * rim) * mix(vec3(0.86, 0.74, 0.66), vec3(1.08, 1.22, 1.35), pale);
  // What is left of a weak reflex is redder still.
  glow *= level * light * mix(vec3(0.95, 0.62, 0.45), vec3(1.0), light);
  // What holds light back sends a little of the lamp's straight back, white or grey.
  glow += stray * (1.0 - sqrt(light)) * vec3(0.92, 0.95, 1.0);
  seen = mix(seen * lamp, glow, hole);
  seen = mix(skin * lamp, seen, smoothstep(-pixel, pixel + 0.12, gap));
  // The lamp's own image on the cornea, a little below where one looks from.
  vec2 glint = p - vec2(GLINT_BEHIND * slant, 0.9);
  seen += (1.0 - smoothstep(0.16, 0.26 + 2.0 * pixel, length(glint))) * vec3(0.95, 0.92, 0.85) * (1.0 - near);
  float edge = 1.0 - smoothstep(1.0 - 2.0 * pixel / half_mm, 1.0, off);
  float shown = mix(smoothstep(0.8, 1.0, near), smoothstep(0.66, 0.98, near), hole);
  colour = vec4(sqrt(clamp(seen * edge, 0.0, 1.0)), 1.0 - shown);
}`;

/** Set the first step up on the canvas of the view; null where the graphics processor cannot. */
export function reflexView(canvas, { half, pupil, shift, narrow, level, depth, across, stray, arm, size, light }, nearest) {
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
  const [halfMm, near, pixel, slant] = ["half_mm", "near", "pixel", "slant"].map(place);

  gl.activeTexture(gl.TEXTURE2);
  gl.bindTexture(gl.TEXTURE_2D, gl.createTexture());
  gl.pixelStorei(gl.UNPACK_ALIGNMENT, 1);
  gl.texImage2D(gl.TEXTURE_2D, 0, gl.R8, size, size, 0, gl.RED, gl.UNSIGNED_BYTE, Uint8Array.from(light));
  for (const filter of [gl.TEXTURE_MIN_FILTER, gl.TEXTURE_MAG_FILTER]) gl.texParameteri(gl.TEXTURE_2D, filter, gl.LINEAR);
  for (const wrap of [gl.TEXTURE_WRAP_S, gl.TEXTURE_WRAP_T]) gl.texParameteri(gl.TEXTURE_2D, wrap, gl.CLAMP_TO_EDGE);
  gl.uniform1i(place("reflex"), 2);
  for (const [name, value] of Object.entries({ pupil, shift, narrow, level, depth, across, stray })) gl.uniform1f(place(name), value);

  /** Draw over what is there; how near is 0 at arm's length, 1 before the eye; aside in mm to the right. */
  return (nearness, aside) => {
    const width = half * (nearest / half) ** nearness;
    gl.useProgram(program);
    gl.viewport(0, 0, canvas.width, canvas.height);
    gl.uniform1f(near, nearness);
    gl.uniform1f(slant, aside / arm);
    gl.uniform1f(halfMm, width);
    gl.uniform1f(pixel, (2 * width) / canvas.width);
    gl.enable(gl.BLEND);
    gl.blendFuncSeparate(gl.SRC_ALPHA, gl.ONE_MINUS_SRC_ALPHA, gl.ZERO, gl.ONE);
    gl.drawArrays(gl.TRIANGLES, 0, 3);
    gl.disable(gl.BLEND);
  };
}
