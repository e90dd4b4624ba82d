// @ts-check
/** Closed polygons as flat arrays [x0, y0, x1, y1 ...] in pixels. */

/** @typedef {Float32Array | number[]} Polygon */

/** @param {Polygon} p @returns {[number, number]} Centre of mass; the mean of the vertices when there is no area. */
export function centre(p) {
  let area = 0, x = 0, y = 0;
  const n = p.length, x0 = p[0], y0 = p[1];
  for (let i = 0; i < n; i += 2) {
    const j = (i + 2) % n;
    const ax = p[i] - x0, ay = p[i + 1] - y0, bx = p[j] - x0, by = p[j + 1] - y0;
    const cross = ax * by - bx * ay;
    area += cross; x += (ax + bx) * cross; y += (ay + by) * cross;
  }
  return Math.abs(area) < 1e-9 ? [x0, y0] : [x0 + x / (3 * area), y0 + y / (3 * area)];
}

/** @param {Polygon} p @param {[number, number]} from @param {number} angle @returns {[number, number] | null} Outermost meeting of a ray. */
export function alongRay(p, from, angle) {
  const dx = Math.cos(angle), dy = Math.sin(angle);
  let best = -1;
  for (let i = 0; i < p.length; i += 2) {
    const j = (i + 2) % p.length;
    const ax = p[i] - from[0], ay = p[i + 1] - from[1], ex = p[j] - p[i], ey = p[j + 1] - p[i + 1];
    const det = dx * ey - dy * ex;
    if (Math.abs(det) < 1e-12) continue;
    const t = (ax * ey - ay * ex) / det, u = (ax * dy - ay * dx) / det;
    if (u >= 0 && u <= 1 && t > best) best = t;
  }
  return best < 0 ? null : [from[0] + best * dx, from[1] + best * dy];
}

/** @param {Polygon} p @param {[number, number]} q @returns {{ distance: number, foot: [number, number] }} Nearest place on the polygon. */
export function nearest(p, q) {
  let distance = Infinity;
  /** @type {[number, number]} */
  let foot = [NaN, NaN];
  for (let i = 0; i < p.length; i += 2) {
    const j = (i + 2) % p.length;
    const ex = p[j] - p[i], ey = p[j + 1] - p[i + 1];
    const t = Math.min(1, Math.max(0, ((q[0] - p[i]) * ex + (q[1] - p[i + 1]) * ey) / (ex * ex + ey * ey || 1)));
    const x = p[i] + t * ex, y = p[i + 1] + t * ey, d = Math.hypot(q[0] - x, q[1] - y);
    if (d < distance) { distance = d; foot = [x, y]; }
  }
  return { distance, foot };
}

/** @param {Polygon} p @param {number[]} unseen Vertices that were not seen. @returns {{ seen: string, unseen: string }} SVG path data. */
export function paths(p, unseen) {
  if (!unseen.length) {
    let d = `M${p[0]} ${p[1]}`;
    for (let i = 2; i < p.length; i += 2) d += `L${p[i]} ${p[i + 1]}`;
    return { seen: `${d}Z`, unseen: "" };
  }
  const hidden = new Set(unseen), n = p.length / 2;
  const isHidden = (/** @type {number} */ i) => hidden.has(i % n) || hidden.has((i + 1) % n);
  let start = 0;
  while (start < n && isHidden(start) === isHidden(start + n - 1)) start++;
  // One subpath per arc, so that dashes run on from vertex to vertex.
  const out = { seen: "", unseen: "" };
  for (let k = start; k < start + n; k++) {
    const kind = isHidden(k) ? "unseen" : "seen", j = (k + 1) % n;
    if (k === start || isHidden(k) !== isHidden(k + n - 1)) out[kind] += `M${p[2 * (k % n)]} ${p[2 * (k % n) + 1]}`;
    out[kind] += `L${p[2 * j]} ${p[2 * j + 1]}`;
  }
  return out;
}

/** @param {[number, number][]} stroke @param {number} step @returns {[number, number][]} The stroke with points at least `step` apart, ends kept. */
export function thinned(stroke, step) {
  const out = [stroke[0]];
  for (const point of stroke) {
    const last = out[out.length - 1];
    if (Math.hypot(point[0] - last[0], point[1] - last[1]) >= step) out.push(point);
  }
  const end = stroke[stroke.length - 1];
  if (out.length > 1 && out[out.length - 1] !== end) out[out.length - 1] = end;
  return out;
}
