// What was measured, row by row, unpacked from the page; directions in the microphone's own axes.

const facts = JSON.parse(document.getElementById("facts").textContent);

const rows = (() => {
  const bytes = (text) => Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
  const packed = facts.rows;
  const times = new Float32Array(bytes(packed.time_s).buffer);
  const angles = new Int16Array(bytes(packed.angles).buffer);
  const sds = new Uint16Array(bytes(packed.sd).buffer);
  const turnedSds = new Uint16Array(bytes(packed.sd_turned).buffer);
  const levels = new Int8Array(bytes(packed.level).buffer);
  const places = new Int16Array(bytes(packed.places).buffer);
  const powers = new Int8Array(bytes(packed.powers).buffer);
  const tops = new Int16Array(bytes(packed.tops).buffer);
  const heights = new Float32Array(bytes(packed.heights).buffer);
  const strays = new Float32Array(bytes(packed.strays).buffer);
  const steep = new Float32Array(bytes(packed.steep).buffer);
  const voteOf = (n) => {
    if (!heights[n]) return null;
    const top = vector(tops, n), across = leftAndUp(top), [first, second, both] = steep.subarray(3 * n, 3 * n + 3);
    const bend = product([[first, both], [both, second]], across);
    return { top, height: heights[n], stray: strays[n], steep: product(flipped(across), bend) };
  };
  const each = packed.places_each, vector = (a, n) => vectorFrom(a[2 * n] / 100 * DEG, a[2 * n + 1] / 100 * DEG);
  return Array.from(times, (time, n) => ({
    time,
    level: levels[n],
    heard: sds[n] === 65535 ? null
      : { vector: vector(angles, n), sdRad: sds[n] / 100 * DEG, turnedSdRad: turnedSds[n] / 100 * DEG },
    vote: voteOf(n),
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
const LEAST_SD = 0.5 * DEG; // what the hills leave out, and what one lone reflection may do
const remembered = new Map();

// The direction that the rows of a span agree on, in the microphone's axes; null where they agree on none.
function heardBetween(start, end) {
  const span = `${start} ${end}`;
  if (!remembered.has(span)) remembered.set(span, agreedOn(start, end));
  return remembered.get(span);
}

// Each row votes with a hill on the sphere (spatial/analysis/votes.py); where the sum of a span's hills is highest, there
// it is heard. Rows far from that (reflections, somebody else) have no say.
function agreedOn(start, end) {
  const all = rows.filter((row) => row.vote && row.time > start - 1e-6 && row.time < end + 1e-6);
  if (all.length < 2) return null;
  const every = Math.ceil(all.length / MOST_ROWS), votes = all.filter((_, n) => n % every === 0).map((row) => row.vote);
  const sum = (values) => values.reduce((so, value) => so + value, 0);
  const says = (place) => votes.map((vote) => {
    const away = plus(vote.top, scaled(place, -1));
    return vote.height * Math.exp(-0.5 * dot(away, turned(vote.steep, away)));
  });
  // Of some rows' tops the one that most others stand by; from there uphill.
  const few = votes.filter((_, n) => n % Math.ceil(votes.length / 200) === 0).map((vote) => vote.top);
  let place = few.reduce((best, v) => { const d = sum(says(v)); return d > best[0] ? [d, v] : best; }, [-1, null])[1];
  for (let round = 0; round < 40; round += 1) {
    const say = says(place), across = leftAndUp(place);
    let stiff = [[0, 0], [0, 0]], pull = [0, 0];
    for (const [n, vote] of votes.entries()) {
      const away = plus(vote.top, scaled(place, -1));
      for (const i of [0, 1]) {
        const steep = scaled(turned(vote.steep, across[i]), say[n]);
        pull[i] += dot(steep, away);
        for (const j of [0, 1]) stiff[i][j] += dot(steep, across[j]);
      }
    }
    const area = stiff[0][0] * stiff[1][1] - stiff[0][1] * stiff[1][0];
    const left = (pull[0] * stiff[1][1] - pull[1] * stiff[0][1]) / area;
    const up = (pull[1] * stiff[0][0] - pull[0] * stiff[1][0]) / area;
    if (!Number.isFinite(left + up)) return null;
    place = unit(plus(place, plus(scaled(across[0], left), scaled(across[1], up))));
    if (Math.hypot(left, up) < 1e-6) break;
  }
  const close = votes.filter((vote) => angleBetween(vote.top, place) < 25 * DEG);
  if (sum(close.map((vote) => vote.height)) < 0.3 * sum(votes.map((vote) => vote.height))) return null;
  // How unsure, as law_of_sd in spatial/analysis/spans.py: by how far the bins stray, and how long it was heard.
  const say = says(place), total = sum(say), [endless, second] = facts.sd_law;
  const strayed = sum(say.map((s, n) => s * (votes[n].stray ** 2 + angleBetween(votes[n].top, place) ** 2))) / total;
  const lasted = facts.rows.step_s * every * total ** 2 / sum(say.map((s) => s * s));
  return { vector: place, sdRad: Math.hypot(strayed * Math.hypot(endless, second / Math.sqrt(lasted)), LEAST_SD) };
}
