// The browser's store keeps what is in no file yet: one draft for each clip and each version of its marks file. A page
// from disk has a store of its own in some browsers and shares one with all others in some; private windows forget.

const DRAFTS = `soundplumb marks 1 ${facts.draft.clip} `, DRAFT = DRAFTS + facts.draft.version;
const TAB = newId();

const store = (() => {
  try {
    const found = window.localStorage;
    found.getItem(DRAFT);
    return found;
  } catch {
    return null;
  }
})();

// Writes a text, or takes it out where there is none. What went wrong: "" nothing, "closed", "full".
function writeDraft(key, text) {
  if (!store) return "closed";
  try {
    if (text === null) store.removeItem(key); else store.setItem(key, text);
    return "";
  } catch {
    return "full";
  }
}

function draftText(key = DRAFT) {
  try { return store ? store.getItem(key) : null; } catch { return null; }
}

// What a draft says: { at, base, sheet, saved, savedAt, open, tab }; null where it cannot be read.
function draftFrom(text) {
  try {
    const given = JSON.parse(text), base = sheetFrom(given.base), sheet = sheetFrom(given.sheet);
    if (!base || !sheet || !Number.isFinite(given.at)) return null;
    return {
      at: given.at, base, sheet, open: given.open ? entryFrom(given.open) : null, tab: String(given.tab),
      saved: sheetFrom(given.saved), savedAt: Number.isFinite(given.savedAt) ? given.savedAt : given.at,
    };
  } catch {
    return null;
  }
}

// Drafts of this clip from pages with other marks in their file, oldest first.
function olderDrafts() {
  const found = [];
  try {
    for (let n = 0; store && n < store.length; n += 1) {
      const key = store.key(n), text = key?.startsWith(DRAFTS) && key !== DRAFT ? store.getItem(key) : null;
      const draft = text && draftFrom(text);
      if (draft) found.push({ key, text, draft });
    }
  } catch { /* A store that stops in the middle has told what it can. */ }
  return found.sort((one, other) => one.draft.at - other.draft.at);
}

function momentInWords(at) {
  const then = new Date(at), time = then.toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit" });
  if (then.toDateString() === new Date().toDateString()) return time;
  return `${then.toLocaleDateString("en-GB", { day: "numeric", month: "long" })}, ${time}`;
}
