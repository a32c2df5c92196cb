"use strict";
// Directions, the picture, small rotations, and how they are said. Axes: x front, y left, z up; azimuth positive to
// the left, elevation positive up; radians inside. The same signs as spatial/conventions.py, and tested against it.

const DEG = Math.PI / 180;
const IDENTITY = [[1, 0, 0], [0, 1, 0], [0, 0, 1]];

const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
const scaled = (a, s) => [a[0] * s, a[1] * s, a[2] * s];
const plus = (a, b) => [a[0] + b[0], a[1] + b[1], a[2] + b[2]];
const cross = (a, b) => [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];
const norm = (a) => Math.hypot(a[0], a[1], a[2]);
const unit = (a) => scaled(a, 1 / (norm(a) || 1));
const turned = (m, v) => [dot(m[0], v), dot(m[1], v), dot(m[2], v)];
const flipped = (m) => m[0].map((_, j) => m.map((row) => row[j]));
const product = (a, b) => a.map((row) => flipped(b).map((column) => row.reduce((sum, part, n) => sum + part * column[n], 0)));
const angleBetween = (a, b) => Math.atan2(norm(cross(a, b)), dot(a, b));
const vectorFrom = (azimuth, elevation) => [
  Math.cos(azimuth) * Math.cos(elevation), Math.sin(azimuth) * Math.cos(elevation), Math.sin(elevation)];
const azimuthOf = (v) => Math.atan2(v[1], v[0]);
const elevationOf = (v) => Math.atan2(v[2], Math.hypot(v[0], v[1]));

// Where a direction is seen in the eye's picture, as parts of its width and height; null where it does not reach.
function placeFrom(picture, v) {
  const half = picture.view_rad / 2;
  if (picture.projection === "equirect") {
    const azimuth = azimuthOf(v);
    if (Math.abs(azimuth) > half + 1e-9) return null;
    return [0.5 - azimuth / picture.view_rad, 0.5 - elevationOf(v) / Math.PI];
  }
  const fromAxis = Math.atan2(Math.hypot(v[1], v[2]), v[0]);
  if (fromAxis > half + 1e-9) return null;
  const across = Math.hypot(v[1], v[2]) || 1;
  const part = (fromAxis / half) * Math.min(picture.wide, 1) / 2;
  return [0.5 - part * v[1] / across / picture.wide, 0.5 - part * v[2] / across];
}

// The direction of a place in the picture; null outside a fisheye's circle.
function directionFrom(picture, x, y) {
  if (picture.projection === "equirect") return vectorFrom((0.5 - x) * picture.view_rad, (0.5 - y) * Math.PI);
  const left = (0.5 - x) * picture.wide, up = 0.5 - y;
  const part = Math.hypot(left, up) / (Math.min(picture.wide, 1) / 2);
  if (part > 1 + 1e-9) return null;
  const fromAxis = part * picture.view_rad / 2, about = Math.atan2(up, left);
  return [Math.cos(fromAxis), Math.sin(fromAxis) * Math.cos(about), Math.sin(fromAxis) * Math.sin(about)];
}

// The two directions across a direction: towards growing azimuth and growing elevation.
function leftAndUp(v) {
  const left = Math.hypot(v[0], v[1]) > 1e-6 ? unit([-v[1], v[0], 0]) : [0, 1, 0];
  return [left, cross(v, left)];
}

// Points of a small circle around a direction; with two radii, an oval that is wide across and high up.
function aroundDirection(v, acrossRad, upRad, count = 48) {
  const [side, above] = leftAndUp(v);
  return Array.from({ length: count }, (_, n) => {
    const turn = 2 * Math.PI * n / count;
    const offset = plus(scaled(side, acrossRad * Math.cos(turn)), scaled(above, upRad * Math.sin(turn)));
    const size = norm(offset);
    return size < 1e-9 ? v : plus(scaled(v, Math.cos(size)), scaled(offset, Math.sin(size) / size));
  });
}

// Variances and covariance of a direction towards growing azimuth and elevation: its own, and what a turn of all the
// sound, of which a covariance is known (in the same axes), adds to it. As the region in tests/bench/ring.py.
function uncertaintyOf(v, sdRad, turnCovariance) {
  const own = [[sdRad ** 2, 0], [0, sdRad ** 2]];
  if (!turnCovariance) return own;
  const moved = leftAndUp(v).map((across) => cross(v, across));
  return own.map((row, i) => row.map((part, j) => part + dot(moved[i], turned(turnCovariance, moved[j]))));
}

// Its long and short half axes, standard deviations, and how far the long one is turned from left towards up.
function axesOf([[left, both], [, up]]) {
  const middle = (left + up) / 2, reach = Math.hypot((left - up) / 2, both);
  return {
    long: Math.sqrt(middle + reach), short: Math.sqrt(Math.max(middle - reach, 0)), turn: Math.atan2(2 * both, left - up) / 2,
  };
}

// Points of the region around a direction, so many standard deviations wide.
function regionAround(v, { long, short, turn }, sds, mostRad, count = 48) {
  const across = leftAndUp(v), c = Math.cos(turn), s = Math.sin(turn);
  return Array.from({ length: count }, (_, n) => {
    const a = 2 * Math.PI * n / count;
    const far = Math.min(sds * long, mostRad) * Math.cos(a), near = Math.min(sds * short, mostRad) * Math.sin(a);
    const offset = plus(scaled(across[0], far * c - near * s), scaled(across[1], far * s + near * c));
    const size = norm(offset);
    return size < 1e-9 ? v : plus(scaled(v, Math.cos(size)), scaled(offset, Math.sin(size) / size));
  });
}

// Where the microphone should hear who is seen in a direction, and how far that may be off: as expected_direction in
// spatial/jobs/marks.py.
function expectedFrom(seen, distance, micOffset, likely) {
  if (!micOffset.some((part) => part)) return { vector: seen, sdRad: 0 };
  const at = (metres) => unit(plus(scaled(seen, metres), scaled(micOffset, -1)));
  if (distance) return { vector: at(distance), sdRad: 0 };
  const [near, far] = likely.map(at);
  return { vector: unit(plus(near, far)), sdRad: angleBetween(near, far) / 2 };
}

// The rotation that takes measured directions to expected ones best, each weighed by its variance (Davenport's q-method
// for Wahba's problem), how far it leaves each, and how loose its least certain turn is.
// upSide: +1 it stood upright, -1 it hung upside down, level within 5 degrees; 0 nothing is known of that.
function solveMount(pairs, upSide, markSdRad) {
  const all = pairs.map((p) => ({ ...p, variance: p.sdRad ** 2 + markSdRad ** 2 }));
  if (upSide) all.push({ expected: [0, 0, upSide], heard: [0, 0, 1], variance: (5 * DEG) ** 2 });
  const b = IDENTITY.map((_, i) => IDENTITY.map((__, j) =>
    all.reduce((sum, p) => sum + p.expected[i] * p.heard[j] / p.variance, 0)));
  const trace = b[0][0] + b[1][1] + b[2][2];
  const total = all.reduce((sum, p) => sum + 1 / p.variance, 0);
  const z = [b[2][1] - b[1][2], b[0][2] - b[2][0], b[1][0] - b[0][1]];
  let k = [0, 1, 2, 3].map((i) => [0, 1, 2, 3].map((j) => {
    if (i === 3 || j === 3) return i === j ? trace : z[Math.min(i, j)];
    return b[i][j] + b[j][i] - (i === j ? trace : 0);
  }));
  k = k.map((row, i) => row.map((value, j) => (value + (i === j ? 4 * total : 0)) / total));
  const q = largestAxis(k);
  const [x, y, w, s] = [q[0], q[1], q[2], q[3]];
  const matrix = [
    [s * s + x * x - y * y - w * w, 2 * (x * y - s * w), 2 * (x * w + s * y)],
    [2 * (x * y + s * w), s * s - x * x + y * y - w * w, 2 * (y * w - s * x)],
    [2 * (x * w - s * y), 2 * (y * w + s * x), s * s - x * x - y * y + w * w]];
  return {
    matrix,
    leftRad: pairs.map((p) => angleBetween(turned(matrix, p.heard), p.expected)),
    looseRad: loosest(all),
    covariance: turnCovariance(all),
  };
}

// The axis of the largest eigenvalue: a symmetric matrix, squared until nothing else is left.
function largestAxis(matrix) {
  let m = matrix;
  for (let round = 0; round < 60; round += 1) {
    const square = m.map((row) => m.map((_, j) => row.reduce((sum, value, n) => sum + value * m[n][j], 0)));
    const size = Math.max(...square.flat().map(Math.abs));
    m = square.map((row) => row.map((value) => value / size));
  }
  const column = m.reduce((best, row) => (Math.hypot(...row) > Math.hypot(...best) ? row : best), m[0]);
  const length = Math.hypot(...column);
  return column.map((value) => value / length);
}

// Standard deviation of the least certain turn (Shuster and Oh 1981), radians; half a turn where nothing tells.
function loosest(all) {
  const information = IDENTITY.map((row, i) => row.map((one, j) => one / Math.PI ** 2 +
    all.reduce((sum, p) => sum + (one - p.expected[i] * p.expected[j]) / p.variance, 0)));
  const trace = information[0][0] + information[1][1] + information[2][2];
  const turnedOver = information.map((row, i) => row.map((value, j) => ((i === j ? trace : 0) - value) / trace));
  const axis = largestAxis(turnedOver);
  return 1 / Math.sqrt(Math.max(dot(axis, turned(information, axis)), 1e-12));
}

// Covariance of the turn that marks tell (Shuster and Oh 1981), radians squared: the inverse of their information.
function turnCovariance(all) {
  const rows = IDENTITY.map((row, i) => row.map((one, j) => one / Math.PI ** 2 +
    all.reduce((sum, p) => sum + (one - p.expected[i] * p.expected[j]) / p.variance, 0)));
  const columns = [cross(rows[1], rows[2]), cross(rows[2], rows[0]), cross(rows[0], rows[1])];
  const volume = dot(rows[0], columns[0]);
  return flipped(columns.map((column) => scaled(column, 1 / volume)));
}

// Yaw, pitch and roll, as in spatial/rotation.py.
function yprFrom(m) {
  const yaw = Math.atan2(m[1][0], m[0][0]), c = Math.cos(yaw), s = Math.sin(yaw);
  return {
    yaw, pitch: Math.atan2(m[2][0], c * m[0][0] + s * m[1][0]),
    roll: Math.atan2(s * m[0][2] - c * m[1][2], c * m[1][1] - s * m[0][1]),
  };
}

const degrees = (rad, digits = 0) => `${(Math.abs(rad) / DEG).toFixed(digits)}°`;

function sideInWords(azimuth, digits = 0) {
  if (Math.abs(azimuth) < 0.5 * DEG) return "straight ahead";
  if (Math.abs(azimuth) > 179.5 * DEG) return "straight back";
  return `${degrees(azimuth, digits)} ${azimuth > 0 ? "left" : "right"}`;
}

function heightInWords(elevation, digits = 0) {
  return Math.abs(elevation) < 0.5 * DEG ? "level" : `${degrees(elevation, digits)} ${elevation > 0 ? "up" : "down"}`;
}

// From here on, up or down, left and right say nothing any more; as in spatial/report/words.py.
const STEEP = 75 * DEG;

const steepInWords = (v) => (Math.abs(elevationOf(v)) <= STEEP ? "" : v[2] > 0 ? "overhead" : "below");

const placeInWords = (v) => `${steepInWords(v) || sideInWords(azimuthOf(v))}, ${heightInWords(elevationOf(v))}`;

function mountInWords(m) {
  const { yaw, pitch, roll } = yprFrom(m);
  const over = Math.abs(roll) > Math.PI / 2;
  const lean = over ? roll - Math.sign(roll) * Math.PI : roll;
  const faced = Math.abs(yaw) < 0.5 * DEG ? "it faced the lens’s way"
    : Math.abs(yaw) > 179.5 * DEG ? "it faced straight back"
      : `it faced ${degrees(yaw)} ${yaw > 0 ? "left" : "right"} of the lens`;
  const tipped = Math.abs(pitch) < 0.5 * DEG ? "not tipped" : `tipped ${heightInWords(pitch)}`;
  const leant = Math.abs(lean) < 0.5 * DEG ? "" : `, leaning ${degrees(lean)} to its ${lean > 0 ? "right" : "left"}`;
  return `${faced}, ${tipped}${over ? ", upside down" : ""}${leant}`;
}

// Timecode of a clip time (SMPTE ST 12-1), as in spatial/timebase.py.
function timecodeOf(clock, seconds) {
  const nominal = Math.round(clock.rate);
  let frame = clock.start_frame + Math.max(0, Math.floor(seconds * clock.rate + 1e-4));
  if (clock.drop) {
    const out = nominal === 60 ? 4 : 2, minute = nominal * 60 - out, ten = nominal * 600 - 9 * out;
    frame %= ten * 144;
    const tens = Math.floor(frame / ten), rest = frame % ten;
    frame += 9 * out * tens;
    if (rest >= nominal * 60) frame += out * (1 + Math.floor((rest - nominal * 60) / minute));
  } else {
    frame %= nominal * 86400;
  }
  const two = (value) => String(Math.floor(value)).padStart(2, "0");
  const whole = Math.floor(frame / nominal);
  return `${two(whole / 3600)}:${two(whole / 60 % 60)}:${two(whole % 60)}${clock.drop ? ";" : ":"}${two(frame % nominal)}`;
}
