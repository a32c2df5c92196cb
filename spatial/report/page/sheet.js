// A sheet of marks: a list of plain entries, never changed in place. How a sheet differs from the file, how an entry
// comes back from the browser's store, and how two sheets that grew from one are joined.

const LONGEST_NAME = 100; // as in spatial/media/marks.py
const NEAREST_M = 0.01, FARTHEST_M = 1000;

const entryOf = (id, { who, start_s, end_s, azimuth_deg, elevation_deg, distance_m }) =>
  Object.freeze({ id, who, start_s, end_s, azimuth_deg, elevation_deg, distance_m });

// The file's own marks are known by f and their number; those made in a page by n and a name that no other will have.
const filed = Object.freeze(facts.marks.map((mark, n) => entryOf(`f${n}`, mark)));
const newId = () => `n${Date.now().toString(36)}${Math.random().toString(36).slice(2, 10)}`;
const fileOf = (entry) => filed.find((other) => other.id === entry.id);

// Two entries are alike where the file would say the same of them.
const alike = (one, other) => csvLine(one) === csvLine(other);
const sameSheet = (one, other) => String(one.map(csvLine).sort()) === String(other.map(csvLine).sort());
// A new name alone turns nothing.
const seenAlike = (one, other) => alike({ ...one, who: "" }, { ...other, who: "" });

function differences(sheet, from = filed) {
  const before = new Map(from.map((entry) => [entry.id, entry])), now = new Set(sheet.map((entry) => entry.id));
  return {
    fresh: sheet.filter((entry) => !before.has(entry.id)),
    changed: sheet.filter((entry) => before.has(entry.id) && !alike(entry, before.get(entry.id))),
    removed: from.filter((entry) => !now.has(entry.id)),
  };
}

// "2 new (Nell, Ann), 1 changed (Perrin)"; "" where nothing differs.
function differencesInWords({ fresh, changed, removed }) {
  const named = (entries, what) => {
    const names = entries.slice(0, 3).map((entry) => csvName(entry.who)).join(", ");
    return entries.length ? [`${entries.length} ${what} (${names}${entries.length > 3 ? " and others" : ""})`] : [];
  };
  return [...named(fresh, "new"), ...named(changed, "changed"), ...named(removed, "removed")].join(", ");
}

// Joins what two have made of one sheet: who changed something has the say on it; a change outweighs a removal.
function joined(base, mine, theirs) {
  const byId = (sheet) => new Map(sheet.map((entry) => [entry.id, entry]));
  const before = byId(base), ours = byId(mine), others = byId(theirs);
  const touched = (entry) => !before.has(entry.id) || !alike(entry, before.get(entry.id));
  const kept = theirs.filter((entry) => ours.has(entry.id) || touched(entry))
    .map((entry) => { const own = ours.get(entry.id); return own && touched(own) ? own : entry; });
  return [...kept, ...mine.filter((entry) => !others.has(entry.id) && touched(entry))];
}

// The same for work on another version of the page: its entries are known again by what they say, not by their ids.
function takenOver({ base, sheet }, now) {
  const free = [...now], names = new Map();
  for (const entry of [...base, ...sheet]) {
    const n = names.has(entry.id) ? -1 : free.findIndex((other) => alike(other, entry));
    if (n >= 0) names.set(entry.id, free.splice(n, 1)[0].id);
  }
  const known = (entry) => entryOf(names.get(entry.id) ?? (entry.id.startsWith("n") ? entry.id : `n${entry.id}`), entry);
  return joined(base.map(known), sheet.map(known), now);
}

// An entry as the store gave it back, which anybody may have written to; null where it is none.
function entryFrom(given) {
  const within = (value, low, high) => typeof value === "number" && value >= low && value <= high;
  const { id, who, start_s, end_s, azimuth_deg, elevation_deg, distance_m } = given ?? {};
  const good = typeof id === "string" && /^[fn][0-9a-z]{1,40}$/.test(id) && typeof who === "string"
    && within(start_s, 0, facts.duration_s + 1) && within(end_s, 0, facts.duration_s + 1)
    && within(azimuth_deg, -360, 360) && within(elevation_deg, -90, 90)
    && (distance_m === null || within(distance_m, NEAREST_M, FARTHEST_M));
  return good ? entryOf(id, { ...given, who: who.slice(0, LONGEST_NAME) }) : null;
}

function sheetFrom(given) {
  if (!Array.isArray(given)) return null;
  const sheet = given.map(entryFrom), ids = new Set(sheet.map((entry) => entry?.id));
  return sheet.includes(null) || ids.size < sheet.length ? null : Object.freeze(sheet);
}
