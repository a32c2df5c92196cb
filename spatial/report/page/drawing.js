// The picture with its sound, and the circle seen from above. Each is drawn anew only when something has changed.

const GLOW = "255, 170, 60", LIGHT = "#ffffff", DARK = "rgba(10, 16, 22, .75)", MARK = "#8fd0ff";
const GLOW_ROWS = 4;
const NEAR_ONE = facts.sds_of_95; // of one angle 95 of 100 lie within so many standard deviations
const NEAR_BOTH = facts.region_sds_of_95; // of a direction, which has two
const WIDEST_RING = 60 * DEG;

// Where the source of a row is, in the picture of its moment or as recorded, and how sure that is: its own scatter, and what
// the way the microphone sat leaves open for all the sound of the clip alike.
function seenOf(row, view) {
  if (!row || !row.heard) return null;
  const vector = turned(turnAt(view.matrix, row.time), row.heard.vector), camera = cameraAt(row.time);
  const shared = view.covariance && product(product(camera, view.covariance), flipped(camera));
  // The mount of the clip has taken up some of what the microphone does to all directions.
  const spread = uncertaintyOf(vector, view.matrix === facts.mount ? row.heard.turnedSdRad : row.heard.sdRad, shared);
  // Azimuth alone, as circle and time line show it.
  return { vector, axes: axesOf(spread), azimuthSd: Math.sqrt(spread[0][0]) / Math.max(Math.hypot(vector[0], vector[1]), 0.2) };
}

// A canvas as fine as the screen; returns its pen in units of the page, and its size.
function sheetOf(canvas) {
  const box = canvas.getBoundingClientRect(), fine = window.devicePixelRatio || 1;
  const width = Math.max(1, Math.round(box.width * fine)), height = Math.max(1, Math.round(box.height * fine));
  if (canvas.width !== width || canvas.height !== height) { canvas.width = width; canvas.height = height; }
  const pen = canvas.getContext("2d");
  pen.setTransform(fine, 0, 0, fine, 0, 0);
  pen.clearRect(0, 0, box.width, box.height);
  return { pen, width: box.width, height: box.height };
}

function trace(pen, points, closed) {
  pen.beginPath();
  let down = false;
  for (const point of points) {
    if (point === null) { down = false; continue; }
    if (down) pen.lineTo(point[0], point[1]); else pen.moveTo(point[0], point[1]);
    down = true;
  }
  if (closed && points.every((point) => point !== null)) pen.closePath();
}

// A line that is seen on bright and on dark pictures.
function inked(pen, colour, width, dashes = []) {
  pen.setLineDash(dashes);
  pen.lineWidth = width + 2.5;
  pen.strokeStyle = DARK;
  pen.stroke();
  pen.lineWidth = width;
  pen.strokeStyle = colour;
  pen.stroke();
  pen.setLineDash([]);
}

const NAME_FONT = "600 13px system-ui, sans-serif";

function written(pen, text, x, y, colour, align) {
  pen.font = NAME_FONT;
  pen.textAlign = align;
  pen.textBaseline = "middle";
  pen.lineWidth = 4;
  pen.lineJoin = "round";
  pen.strokeStyle = DARK;
  pen.strokeText(text, x, y);
  pen.fillStyle = colour;
  pen.fillText(text, x, y);
}

// A name as far as it fits.
function cutTo(pen, text, width) {
  const letters = Array.from(text);
  if (pen.measureText(text).width <= width) return text;
  while (letters.length && pen.measureText(`${letters.join("")}…`).width > width) letters.pop();
  return `${letters.join("").trimEnd()}…`;
}

// The rows that glow now: the present one, and a few before it, fading.
function glowing(number, matrix) {
  const seen = [];
  for (let back = 0; back < GLOW_ROWS && number - back >= 0; back += 1) {
    const fading = 1 - back / GLOW_ROWS;
    for (const place of rows[number - back].places) {
      const strength = strengthOf(place.level + 6) ** 2 * fading;
      if (strength > 0.03) seen.push({ vector: turned(turnAt(matrix, rows[number - back].time), place.vector), strength });
    }
  }
  return seen;
}

function drawOver(canvas, view) {
  const { pen, width, height } = sheetOf(canvas), picture = facts.picture;
  const at = (v) => { const p = placeFrom(picture, v); return p && [p[0] * width, p[1] * height]; };
  const number = view.row;
  if (number >= 0) {
    const size = Math.max(24, height * 0.11);
    for (const { vector, strength } of glowing(number, view.matrix)) {
      const point = at(vector);
      if (!point) continue;
      const glow = pen.createRadialGradient(point[0], point[1], 0, point[0], point[1], size);
      glow.addColorStop(0, `rgba(${GLOW}, ${0.34 * strength})`);
      glow.addColorStop(1, `rgba(${GLOW}, 0)`);
      pen.fillStyle = glow;
      pen.fillRect(point[0] - size, point[1] - size, 2 * size, 2 * size);
    }
  }
  for (const mark of view.marks) drawMark(pen, at, mark, view, width, height);
  if (view.crosshair) {
    const [x, y] = [view.crosshair[0] * width, view.crosshair[1] * height];
    pen.beginPath();
    for (const [a, b] of [[-14, -5], [5, 14]]) {
      pen.moveTo(x + a, y); pen.lineTo(x + b, y); pen.moveTo(x, y + a); pen.lineTo(x, y + b);
    }
    inked(pen, MARK, 2);
  }
  const seen = seenOf(rows[number], view);
  if (!seen) return;
  const towards = seen.vector, middle = at(towards);
  trace(pen, regionAround(towards, seen.axes, NEAR_BOTH, WIDEST_RING).map(at), true);
  inked(pen, LIGHT, 2.5);
  if (middle) {
    pen.beginPath();
    pen.arc(middle[0], middle[1], 4, 0, 2 * Math.PI);
    inked(pen, LIGHT, 1);
    pen.fillStyle = LIGHT;
    pen.fill();
  } else {
    drawOutside(pen, towards, width, height);
  }
}

// An arrow at the edge, for sound that the picture does not reach.
function drawOutside(pen, v, width, height) {
  const steep = steepInWords(v);
  if (steep) {
    const way = v[2] > 0 ? 1 : -1, x = width / 2, y = v[2] > 0 ? 12 : height - 12;
    pen.beginPath();
    pen.moveTo(x - 9, y + 7 * way); pen.lineTo(x, y - 5 * way); pen.lineTo(x + 9, y + 7 * way);
    inked(pen, LIGHT, 3);
    written(pen, steep, x, y + 18 * way, LIGHT, "center");
    return;
  }
  const left = v[1] >= 0, x = left ? 12 : width - 12, way = left ? -1 : 1;
  const y = Math.min(Math.max((0.5 - elevationOf(v) / Math.PI) * height, 22), height - 22);
  pen.beginPath();
  pen.moveTo(x - 7 * way, y - 9); pen.lineTo(x + 5 * way, y); pen.lineTo(x - 7 * way, y + 9);
  inked(pen, LIGHT, 3);
  const where = v[0] < 0 ? `behind, ${sideInWords(azimuthOf(v))}` : sideInWords(azimuthOf(v));
  written(pen, where, x - 16 * way, y, LIGHT, left ? "left" : "right");
}

function drawMark(pen, at, mark, view, width, height) {
  const open = mark === view.editing, during = view.time >= mark.start_s && view.time <= mark.end_s;
  if (!during && !open) return;
  const expected = turned(cameraAt(view.time), mark.expected), allowed = facts.tolerance;
  const across = allowed.azimuth_rad + mark.parallaxSdRad, up = allowed.elevation_rad + mark.parallaxSdRad;
  const middle = at(expected);
  trace(pen, aroundDirection(expected, across, up).map(at), true);
  inked(pen, MARK, 2, [7, 5]);
  // The microphone sees a mouth elsewhere than the lens does: a line leads from the one to the other.
  const mouth = at(mark.seen);
  if (mouth && middle && Math.hypot(mouth[0] - middle[0], mouth[1] - middle[1]) > 4) {
    trace(pen, [mouth, middle], false);
    inked(pen, MARK, 1.5, [2, 3]);
  }
  if (mouth) {
    pen.beginPath();
    pen.moveTo(mouth[0] - 5, mouth[1]); pen.lineTo(mouth[0] + 5, mouth[1]);
    pen.moveTo(mouth[0], mouth[1] - 5); pen.lineTo(mouth[0], mouth[1] + 5);
    inked(pen, MARK, 2);
  }
  if (middle) {
    pen.font = NAME_FONT;
    const above = at(aroundDirection(expected, 0, up, 4)[1]) || middle;
    const name = cutTo(pen, mark.who || "new mark", width * 0.6), reach = pen.measureText(name).width / 2 + 6;
    const x = Math.min(Math.max(middle[0], reach), width - reach);
    written(pen, name, x, Math.min(Math.max(above[1] - 11, 12), height - 12), MARK, "center");
  }
}

const OVERHEAD_PX = 13;

// Radius of the circle seen from above: room for the words around it.
const rimOf = (width, height) => Math.max(30, Math.min(width / 2 - 38, height / 2 - 20));

function drawAround(canvas, view) {
  const { pen, width, height } = sheetOf(canvas);
  const middle = [width / 2, height / 2], rim = rimOf(width, height);
  const paint = getComputedStyle(document.documentElement);
  const colour = (name) => paint.getPropertyValue(name).trim();
  const at = (azimuth, radius) => [middle[0] - radius * Math.sin(azimuth), middle[1] - radius * Math.cos(azimuth)];
  const arc = (from, to, radius) => pen.arc(middle[0], middle[1], radius, -Math.PI / 2 - to, -Math.PI / 2 - from);
  const half = Math.min(facts.picture.view_rad / 2, Math.PI);
  pen.fillStyle = colour("--band");
  pen.beginPath(); pen.moveTo(...middle); arc(-half, half, rim); pen.closePath(); pen.fill();
  pen.strokeStyle = colour("--rule"); pen.lineWidth = 1.5;
  pen.beginPath(); pen.arc(...middle, rim, 0, 2 * Math.PI); pen.stroke();
  pen.fillStyle = colour("--soft");
  pen.font = "12px system-ui, sans-serif"; pen.textAlign = "center"; pen.textBaseline = "middle";
  for (const [name, azimuth, gap] of [["front", 0, 11], ["left", 90, 18], ["behind", 180, 11], ["right", -90, 20]]) {
    const [x, y] = at(azimuth * DEG, rim + gap);
    pen.fillText(name, x, y);
  }
  const roomy = rim > 75;
  if (roomy && half < Math.PI) pen.fillText("in the picture", middle[0], middle[1] - rim * 0.3);
  if (roomy && half <= Math.PI / 2 + 0.1) pen.fillText("behind the viewer", middle[0], middle[1] + rim * 0.3);
  pen.beginPath(); pen.arc(...middle, 4, 0, 2 * Math.PI); pen.fill();
  if (view.row >= 0) {
    for (const { vector: v, strength } of glowing(view.row, view.matrix)) {
      const [x, y] = at(azimuthOf(v), rim * Math.hypot(v[0], v[1]));
      const glow = pen.createRadialGradient(x, y, 0, x, y, 22);
      glow.addColorStop(0, `rgba(${GLOW}, ${0.5 * strength})`);
      glow.addColorStop(1, `rgba(${GLOW}, 0)`);
      pen.fillStyle = glow;
      pen.fillRect(x - 22, y - 22, 44, 44);
    }
  }
  pen.strokeStyle = colour("--seen"); pen.fillStyle = colour("--seen"); pen.lineWidth = 4;
  for (const mark of view.marks) {
    if (view.time < mark.start_s || view.time > mark.end_s) continue;
    const expected = turned(cameraAt(view.time), mark.expected), azimuth = azimuthOf(expected);
    const reach = facts.tolerance.azimuth_rad + mark.parallaxSdRad;
    pen.beginPath();
    if (steepInWords(expected)) pen.arc(...middle, OVERHEAD_PX + 5, 0, 2 * Math.PI);
    else arc(azimuth - reach, azimuth + reach, rim);
    pen.stroke();
  }
  const source = seenOf(rows[view.row], view);
  if (!source) return;
  const azimuth = azimuthOf(source.vector), reach = Math.min(NEAR_ONE * source.azimuthSd, Math.PI);
  pen.strokeStyle = colour("--ink"); pen.fillStyle = colour("--ink");
  pen.lineWidth = 2;
  const steep = steepInWords(source.vector);
  if (steep) {
    // No needle points up: a ring about the middle, and the word.
    pen.beginPath(); pen.arc(...middle, OVERHEAD_PX, 0, 2 * Math.PI); pen.stroke();
    pen.beginPath(); pen.arc(...middle, 5, 0, 2 * Math.PI); pen.fill();
    pen.font = NAME_FONT; pen.textAlign = "center"; pen.textBaseline = "top";
    pen.fillText(steep, middle[0], middle[1] + OVERHEAD_PX + 4);
    return;
  }
  pen.beginPath(); arc(azimuth - reach, azimuth + reach, rim - 8); pen.stroke();
  pen.beginPath(); pen.moveTo(...middle); pen.lineTo(...at(azimuth, rim - 8)); pen.stroke();
  pen.beginPath(); pen.arc(...at(azimuth, rim - 8), 5, 0, 2 * Math.PI); pen.fill();
}
