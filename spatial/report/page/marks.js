// Marks: those of the file and those made here; how each comes out; what they say of how the microphone sat.

const likely = facts.likely_distances_m;

function markFrom(entry, mine) {
  const seen = vectorFrom(entry.azimuth_deg * DEG, entry.elevation_deg * DEG);
  const { vector, sdRad } = expectedFrom(seen, entry.distance_m, facts.mic_offset_m, likely);
  // Python has listened to the marks of the file in full; to those made here the page listens through the rows.
  const heard = mine ? heardBetween(entry.start_s, entry.end_s)
    : entry.heard && { vector: entry.heard.vector, sdRad: entry.heard.sd_deg * DEG };
  return { ...entry, mine, seen, expected: vector, parallaxSdRad: sdRad, heard };
}

// How far a mark is off once its sound is turned: the angle, and in words.
function errorOf(mark, matrix) {
  if (!mark.heard) return null;
  const heard = turned(matrix, mark.heard.vector), allowed = facts.tolerance;
  const turn = azimuthOf(heard) - azimuthOf(mark.expected);
  const across = Math.atan2(Math.sin(turn), Math.cos(turn)) * Math.cos(elevationOf(mark.expected));
  const up = elevationOf(heard) - elevationOf(mark.expected);
  const excess = Math.max(
    Math.abs(across) - allowed.azimuth_rad - mark.parallaxSdRad, Math.abs(up) - allowed.elevation_rad - mark.parallaxSdRad);
  return {
    heard, rad: angleBetween(heard, mark.expected),
    verdict: excess <= 0 ? "in place" : excess <= 2 * mark.heard.sdRad ? "borderline" : "off",
  };
}

// What some marks say of how the microphone sat: one answer, or one for each way it may have hung.
function mountFrom(marks) {
  const pairs = marks.filter((mark) => mark.heard).map((mark) => ({
    expected: mark.expected, heard: mark.heard.vector, sdRad: Math.hypot(mark.heard.sdRad, mark.parallaxSdRad),
  }));
  if (!pairs.length) return null;
  const free = solveMount(pairs, 0, DEG), count = pairs.length;
  if (free.looseRad < 20 * DEG) return { count, sure: true, ways: [{ name: "", ...free }] };
  const ways = [[1, "if it stood upright"], [-1, "if it hung upside down"]]
    .map(([side, name]) => ({ name, ...solveMount(pairs, side, DEG) }))
    .filter((way) => Math.max(...way.leftRad) < 25 * DEG);
  return { count, sure: false, ways };
}

function mountSentence(found) {
  if (!found) return "";
  const many = found.count === 1 ? "This one mark says" : `These ${found.count} marks say`;
  if (!found.ways.length) {
    return `These ${found.count} marks contradict each other: check that each names the right performer and moment.`;
  }
  const left = (way) => (found.count > 1 ? ` (up to ${degrees(Math.max(...way.leftRad))} left over)` : "");
  const said = found.ways.map((way) => `${way.name ? `${way.name}, ` : ""}${mountInWords(way.matrix)}${left(way)}`);
  const more = found.sure ? "" : " A mark well to the side, and one at another height, will tell which.";
  return `${many} how the microphone sat: ${said.join("; ")}.${more}`;
}

// The marks as the CSV that orient, verify and conform read.
function marksCsv(marks) {
  const cell = (text) => {
    const plain = text.replace(/[\p{C}\p{Z}]+/gu, " ").trim() || "unnamed";
    return /[",;]/.test(plain) ? `"${plain.replace(/"/g, '""')}"` : plain;
  };
  const number = (value, digits) => value.toFixed(digits).replace(/\.?0+$/, "").replace(/^-0$/, "0");
  const lines = marks.map((mark) => [
    cell(mark.who), number(mark.start_s, 3), number(mark.end_s, 3), number(mark.azimuth_deg, 2),
    number(mark.elevation_deg, 2), mark.distance_m ? number(mark.distance_m, 3) : "",
  ].join(","));
  return ["who,start_s,end_s,azimuth_deg,elevation_deg,distance_m", ...lines, ""].join("\n");
}
