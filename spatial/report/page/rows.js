// What was measured, row by row, unpacked from the page; directions in the microphone's own axes.

const facts = JSON.parse(document.getElementById("facts").textContent);

const rows = (() => {
  const bytes = (text) => Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
  const packed = facts.rows;
  const times = new Float32Array(bytes(packed.time_s).buffer);
  const angles = new Int16Array(bytes(packed.angles).buffer);
  const sds = new Uint16Array(bytes(packed.sd).buffer);
  const levels = new Int8Array(bytes(packed.level).buffer);
  const places = new Int16Array(bytes(packed.places).buffer);
  const powers = new Int8Array(bytes(packed.powers).buffer);
  const each = packed.places_each, vector = (a, n) => vectorFrom(a[2 * n] / 100 * DEG, a[2 * n + 1] / 100 * DEG);
  return Array.from(times, (time, n) => ({
    time,
    level: levels[n],
    heard: sds[n] === 65535 ? null : { vector: vector(angles, n), sdRad: sds[n] / 100 * DEG },
    places: Array.from({ length: each }, (_, k) => n * each + k)
      .filter((k) => powers[k] > -128)
      .map((k) => ({ vector: vector(places, k), level: powers[k] })),
  }));
})();

// Where the camera moved over a recorder that stood still: how it saw what stands still, step by step of the clip.
const cameras = (() => {
  if (!facts.cameras) return null;
  const numbers = new Float32Array(Uint8Array.from(atob(facts.cameras), (letter) => letter.charCodeAt(0)).buffer);
  return Array.from({ length: numbers.length / 9 }, (_, n) =>
    [0, 3, 6].map((start) => Array.from(numbers.subarray(9 * n + start, 9 * n + start + 3))));
})();

function cameraAt(time) {
  if (!cameras) return IDENTITY;
  return cameras[Math.min(Math.max(Math.floor(time / facts.rows.step_s), 0), cameras.length - 1)];
}

// What turns a direction in the take into one in the picture of a moment; as recorded, nothing does.
const turnAt = (matrix, time) => (cameras && matrix !== IDENTITY ? product(cameraAt(time), matrix) : matrix);

// The level of the louder moments: a single clap must not make all else look faint.
const loudest = rows.map((row) => row.level).sort((a, b) => a - b)[Math.floor(rows.length * 0.98)] ?? 0;

// Number of the row that a clip time lies in; -1 where the take has no sound.
function rowAt(time) {
  let low = 0, high = rows.length - 1;
  while (low < high) {
    const middle = (low + high + 1) >> 1;
    if (rows[middle].time - facts.rows.step_s / 2 <= time) low = middle; else high = middle - 1;
  }
  return rows.length && Math.abs(rows[low].time - time) <= facts.rows.step_s ? low : -1;
}

// How strongly a row is drawn: 1 the loudest, 0 from 40 dB below it.
const strengthOf = (level) => Math.min(1, Math.max(0, 1 + (level - loudest) / 40));

const MOST_ROWS = 1500;
const remembered = new Map();

// The direction that the rows of a span agree on, in the microphone's axes; null where they agree on none.
function heardBetween(start, end) {
  const span = `${start} ${end}`;
  if (!remembered.has(span)) remembered.set(span, agreedOn(start, end));
  return remembered.get(span);
}

// Louder and surer rows count more; rows far from most others (reflections, somebody else) hardly.
function agreedOn(start, end) {
  const half = facts.rows.window_s / 2, near = 12 * DEG;
  const all = rows.filter((row) => row.heard && row.time >= start + half && row.time <= end - half);
  if (all.length < 2) return null;
  const every = Math.ceil(all.length / MOST_ROWS), told = all.filter((_, n) => n % every === 0);
  const weights = told.map((row) => 10 ** ((row.level - loudest) / 20) / row.heard.sdRad ** 2);
  const vectors = told.map((row) => row.heard.vector);
  const total = weights.reduce((sum, weight) => sum + weight, 0);
  const pulls = (place) => vectors.map((v, n) => weights[n] * Math.exp((dot(v, place) - 1) / near ** 2));
  const sum = (values) => values.reduce((so, value) => so + value, 0);
  // Of all rows the one that most others stand by.
  const few = vectors.filter((_, n) => n % Math.ceil(vectors.length / 200) === 0);
  let place = few.reduce((best, v) => { const d = sum(pulls(v)); return d > best[0] ? [d, v] : best; }, [-1, null])[1];
  for (let round = 0; round < 30; round += 1) {
    const pull = pulls(place);
    place = unit(vectors.reduce((so, v, n) => plus(so, scaled(v, pull[n])), [0, 0, 0]));
  }
  const close = weights.filter((_, n) => angleBetween(vectors[n], place) < 25 * DEG);
  if (sum(close) < 0.3 * total) return null;
  const pull = pulls(place);
  const scatter = sum(pull.map((p, n) => p * angleBetween(vectors[n], place) ** 2)) / (2 * sum(pull));
  // Rows overlap: so many of them say it independently.
  const witnesses = Math.max(1, sum(pull) ** 2 / sum(pull.map((p) => p * p)) * facts.rows.step_s / facts.rows.window_s);
  return { vector: place, sdRad: Math.hypot(Math.sqrt(scatter / witnesses), DEG) };
}
