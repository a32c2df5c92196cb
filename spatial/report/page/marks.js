// Marks: those of the file and those made here; how each comes out; what they say of how the microphone sat.

const likely = facts.likely_distances_m;

function markFrom(entry) {
  const seen = vectorFrom(entry.azimuth_deg * DEG, entry.elevation_deg * DEG);
  const { vector, sdRad } = expectedOver(seen, entry);
  const file = facts.marks[filed.findIndex((other) => other.id === entry.id)];
  // Python has listened to the marks of the file in full; to other moments the page listens through the rows.
  const heard = file && file.start_s === entry.start_s && file.end_s === entry.end_s
    ? file.heard && { vector: file.heard.vector, sdRad: file.heard.sd_deg * DEG }
    : heardBetween(entry.start_s, entry.end_s);
  const middle = (entry.start_s + entry.end_s) / 2, shown = turned(cameraAt(middle), vector);
  const mine = !file || !alike(entry, fileOf(entry));
  return { ...entry, entry, mine, seen, middle, expected: vector, shown, parallaxSdRad: sdRad, heard };
}

// Each entry's mark is worked out once: entries never change.
const worked = new WeakMap();

function markOf(entry) {
  if (!worked.has(entry)) worked.set(entry, markFrom(entry));
  return worked.get(entry);
}

// Where a mark is expected, in the axes that stand still: on average over the moves that the camera makes in it.
function expectedOver(seen, entry) {
  const at = (camera) => expectedFrom(turned(flipped(camera), seen), entry.distance_m, facts.mic_offset_m, likely);
  if (!cameras) return at(IDENTITY);
  const step = facts.rows.step_s, moments = [entry.start_s];
  for (let time = entry.start_s + step; time < entry.end_s; time += step) moments.push(time);
  const ways = moments.map((time) => at(cameraAt(time)));
  return {
    vector: unit(ways.reduce((sum, way) => plus(sum, way.vector), [0, 0, 0])),
    sdRad: ways.reduce((sum, way) => sum + way.sdRad, 0) / ways.length,
  };
}

// How far a mark is off once its sound is turned: the angle, and in words.
function errorOf(mark, matrix) {
  if (!mark.heard) return null;
  const heard = turned(turnAt(matrix, mark.middle), mark.heard.vector), expected = mark.shown, allowed = facts.tolerance;
  // A mark of the file that helped to tell the mount is judged by the mount that the others give.
  const judge = matrix === facts.mount && mark.judge ? mark.judge : null;
  const judged = judge && judge.turn ? turned(judge.turn, heard) : heard;
  // What is unknown of the microphone is in the judge's; without one it is as everywhere.
  const sdRad = Math.hypot(mark.heard.sdRad, judge ? judge.sd_deg * DEG : facts.microphone_sd_rad);
  const turn = azimuthOf(judged) - azimuthOf(expected);
  const across = Math.atan2(Math.sin(turn), Math.cos(turn)) * Math.cos(elevationOf(expected));
  const up = elevationOf(judged) - elevationOf(expected);
  const excess = Math.max(
    Math.abs(across) - allowed.azimuth_rad - mark.parallaxSdRad, Math.abs(up) - allowed.elevation_rad - mark.parallaxSdRad);
  return {
    heard, rad: angleBetween(judged, expected),
    verdict: excess <= 0 ? "in place" : excess <= 2 * sdRad ? "borderline" : "off",
  };
}

// What some marks say of how the microphone sat: one answer, or one for each way it may have hung.
function mountFrom(marks) {
  const repaired = facts.repaired || IDENTITY;
  const pairs = marks.filter((mark) => mark.heard).map((mark) => ({
    expected: mark.expected, heard: turned(repaired, mark.heard.vector), sdRad: Math.hypot(mark.heard.sdRad, mark.parallaxSdRad),
  }));
  if (!pairs.length) return null;
  // A person places a mark to a degree; what the microphone does to each direction scatters beside that.
  const scatter = Math.hypot(DEG, facts.microphone_scatter_rad);
  const free = solveMount(pairs, 0, scatter), count = pairs.length;
  const wholly = (name, way) => ({ name, ...way, mount: way.matrix, matrix: product(way.matrix, repaired) });
  if (free.looseRad < 20 * DEG) return { count, sure: true, ways: [wholly("", free)] };
  const ways = [[1, "if it stood upright"], [-1, "if it hung upside down"]]
    .map(([side, name]) => wholly(name, solveMount(pairs, side, scatter)))
    .filter((way) => Math.max(...way.leftRad) < 25 * DEG);
  return { count, sure: false, ways };
}

function mountSentence(found) {
  if (!found) return "";
  const open = found.open ? ", with the one you are making," : "";
  const many = found.count === 1 ? `This one mark${open && ", which you are making,"} says` : `These ${found.count} marks${open} say`;
  if (!found.ways.length) {
    return `These ${found.count} marks contradict each other: check that each names the right performer and moment.`;
  }
  const left = (way) => (found.count > 1 ? ` (one of them is still ${degrees(Math.max(...way.leftRad))} off then)` : "");
  const said = found.ways.map((way) => `${way.name ? `${way.name}, ` : ""}${mountInWords(way.mount)}${left(way)}`);
  const more = found.sure ? "" : " A mark well to the side, and one at another height, will tell which.";
  return `${many} how the microphone sat: ${said.join("; ")}.${more}`;
}

// The marks as the CSV that orient, verify and conform read.
const csvName = (who) => who.replace(/[\p{C}\p{Z}]+/gu, " ").trim() || "unnamed";

// A name that a spreadsheet would take for a formula has an apostrophe before it, which is taken off where it is read.
const csvText = (name) => (/^'*[=+\-@\uff1d\uff0b\uff0d\uff20]/.test(name) ? `'${name}` : name);

function csvLine(entry) {
  const name = csvText(csvName(entry.who)), cell = /[",;]/.test(name) ? `"${name.replace(/"/g, '""')}"` : name;
  const number = (value, digits) => value.toFixed(digits).replace(/\.?0+$/, "").replace(/^-0$/, "0");
  return [
    cell, number(entry.start_s, 3), number(entry.end_s, 3), number(entry.azimuth_deg, 2),
    number(entry.elevation_deg, 2), entry.distance_m ? number(entry.distance_m, 3) : "",
  ].join(",");
}

const marksCsv = (entries) =>
  ["who,start_s,end_s,azimuth_deg,elevation_deg,distance_m", ...entries.map(csvLine), ""].join("\n");
