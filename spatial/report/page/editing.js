// Marking: the form of the mark that is open, steps back and forth, and drafts in the browser's store.

const TOGETHER_MS = 1000; // letters and arrows that follow each other this fast are one step

const desk = {
  sheet: filed, offers: [], // what steps back and forth go over, beside the form
  past: [], future: [], // { name, state }: what was done, and how all was before it, or after it
  form: null, // the mark that is open: its entry, its own steps, and what was last typed
  saved: null, savedAt: 0, // the sheet that was saved last
  seen: null, // the draft in the store, as this page last knew it
  older: new Map(), // drafts from pages with other marks in their file, by key
  back: "", trouble: "", said: "",
};

const stateNow = () => ({ sheet: desk.sheet, offers: desk.offers, open: desk.form ? desk.form.entry : null });
const isKept = (entry) => desk.sheet.some((other) => other.id === entry.id);
const keptOf = (entry) => desk.sheet.find((other) => other.id === entry.id);
const formMoved = () => Boolean(desk.form) && (isKept(desk.form.entry)
  ? !alike(desk.form.entry, keptOf(desk.form.entry)) : Boolean(desk.form.entry.who.trim()));
const unsaved = () => formMoved()
  || Boolean(desk.sheet.length) && !sameSheet(desk.sheet, filed) && !(desk.saved && sameSheet(desk.sheet, desk.saved));
const nameOf = (entry) => `the mark of ${csvName(entry.who)}`;

// --- steps -------------------------------------------------------------------------------------------------------

function commit(name, parts, before = { ...stateNow(), open: null }) {
  desk.past.push({ name, state: before });
  desk.future = [];
  take(parts);
}

// Puts a state in place of the present one.
function take({ sheet = desk.sheet, offers = desk.offers, open = null }) {
  const decided = offers !== desk.offers;
  Object.assign(desk, { sheet: Object.freeze([...sheet]), offers, back: "", form: null });
  if (open) desk.form = formFor(open);
  keepDraft(decided);
  showForm(true);
  showMarks();
}

// What Undo and Redo would do now; null where there is nothing.
function nextStep(way) {
  const { form, past, future } = desk;
  if (form && form[way].length) return "the last change of the open mark";
  if (way === "past" && form) return isKept(form.entry) ? `changing ${nameOf(keptOf(form.entry))}` : "the new mark";
  const [last] = (way === "past" ? past : future).slice(-1);
  return last && !(form && form.past.length) ? last.name : null;
}

function goStep(way) {
  const name = nextStep(way), { form } = desk, back = way === "past";
  if (name === null) return;
  desk.said = `${back ? "Undone" : "Done again"}: ${name}.`;
  if (form && form[way].length) {
    form[back ? "future" : "past"].push(form.entry);
    Object.assign(form, { entry: form[way].pop(), kind: "", metres: null });
    formChanged(true);
  } else if (back && form) {
    desk.future.push({ name, state: stateNow() });
    take({});
  } else {
    const { state } = desk[way].pop();
    // To open a form is no step of its own on the way back: closing it again is enough.
    if (back || !state.open) desk[back ? "future" : "past"].push({ name, state: stateNow() });
    take(state);
  }
}

const undo = () => goStep("past");
const redo = () => goStep("future");

// --- the form ----------------------------------------------------------------------------------------------------

const formFor = (entry) => ({ entry, past: [], future: [], kind: "", at: 0, metres: null });

function openForm(entry) {
  if (!leaveForm()) return false;
  movie.pause();
  desk.form = formFor(entry);
  desk.said = "";
  formChanged(true);
  return true;
}

// Changes the open mark; kind: what may be one step with the change before it.
function change(parts, kind = "") {
  const { form } = desk, entry = entryOf(form.entry.id, { ...form.entry, ...parts }), now = performance.now();
  if (JSON.stringify(entry) !== JSON.stringify(form.entry)) {
    if (!kind || kind !== form.kind || now - form.at > TOGETHER_MS) form.past.push(form.entry);
    Object.assign(form, { entry, kind, at: now, future: [] });
  }
  desk.said = "";
  formChanged(false);
}

function formChanged(anew) {
  keepDraft();
  showForm(anew);
  showMarks();
}

// Why the open mark cannot be kept, and the field that it is about; null where it can.
function formFault() {
  const { entry, metres } = desk.form;
  if (entry.end_s <= entry.start_s) return ["Set the end after the start.", "out"];
  if (metres) return [`Write the metres as a number from ${NEAREST_M} to ${FARTHEST_M}, or leave them out.`, "distance"];
  return entry.who.trim() ? null : ["", "who"];
}

// anew: the fields too, which otherwise are as they were just typed.
function showForm(anew) {
  const { form } = desk;
  find("marking").hidden = !form;
  find("hint").hidden = Boolean(form);
  page.crosshair = null;
  if (!form) return;
  const { entry } = form, seen = vectorFrom(entry.azimuth_deg * DEG, entry.elevation_deg * DEG);
  if (anew) {
    find("who").value = entry.who;
    find("distance").value = entry.distance_m ?? "";
  }
  page.crosshair = placeFrom(facts.picture, seen);
  tell("seen", placeInWords(seen));
  tell("from", timecodeOf(facts.clock, entry.start_s));
  tell("to", timecodeOf(facts.clock, entry.end_s));
}

function keepForm() {
  const { entry } = desk.form, before = keptOf(entry);
  if (formFault()) return false;
  desk.said = "";
  if (!before) commit(`adding ${nameOf(entry)}`, { sheet: [...desk.sheet, entry] });
  else if (alike(entry, before)) take({});
  else commit(stepBetween(before, entry), { sheet: desk.sheet.map((other) => (other === before ? entry : other)) });
  return true;
}

function stepBetween(before, now) {
  if (seenAlike(before, now)) return `renaming ${csvName(before.who)} to ${csvName(now.who)}`;
  const at = ({ azimuth_deg, elevation_deg }) => ({ azimuth_deg, elevation_deg });
  return `${alike({ ...before, ...at(now) }, now) ? "moving" : "changing"} ${nameOf(before)}`;
}

// What was kept stays as it was; what was typed comes back with Undo.
function cancelForm() {
  desk.said = "";
  if (!formMoved()) { take({}); return; }
  const name = `cancelling ${isKept(desk.form.entry) ? "the change of " : ""}${nameOf(keptOf(desk.form.entry) ?? desk.form.entry)}`;
  commit(name, {}, stateNow());
}

// Makes way for something else: the open mark is kept where it can be. False where it must be looked at first.
function leaveForm() {
  if (!desk.form || keepForm()) return true;
  if (!formMoved()) { cancelForm(); return true; }
  desk.said = "Keep or cancel the mark that is open first.";
  showMarks();
  find(formFault()[1]).focus();
  return false;
}

// --- the draft in the store --------------------------------------------------------------------------------------

function keepDraft(decided = false) {
  keepOwn();
  // Older work goes out of the store only once what was taken from it is in there.
  for (const [key, older] of decided && !desk.trouble ? desk.older : []) {
    const wanted = desk.offers.includes(key) ? older.text : null;
    if (draftText(key) !== wanted) writeDraft(key, wanted);
  }
}

function keepOwn() {
  takeIn(draftText(), true);
  const { form, sheet, saved, savedAt, seen } = desk, last = draftFrom(seen);
  // A mark that is open in another tab stays in the draft.
  const theirs = !form && last && last.tab !== TAB ? last.open : null;
  const open = form ? form.entry : theirs;
  if (seen === null && !open && sameSheet(sheet, filed)) return;
  const text = JSON.stringify({ at: Date.now(), base: filed, sheet, saved, savedAt, open, tab: theirs ? last.tab : TAB });
  desk.trouble = writeDraft(DRAFT, text);
  if (!desk.trouble) desk.seen = text;
}

// Takes in what another tab has written. quietly: it is shown by whoever asked.
function takeIn(text, quietly = false) {
  const last = draftFrom(desk.seen), theirs = text === desk.seen ? null : draftFrom(text);
  if (!theirs) return; // nothing new, or the store was emptied: what is here stays
  const sheet = joined(last ? last.sheet : filed, desk.sheet, theirs.sheet);
  Object.assign(desk, { seen: text, saved: theirs.saved, savedAt: theirs.savedAt });
  if (!sameSheet(sheet, desk.sheet)) {
    desk.past.push({ name: "what another tab of this page did", state: { ...stateNow(), open: null } });
    Object.assign(desk, { sheet: Object.freeze(sheet), future: [], back: "" });
    desk.said = "Another tab of this page has changed the marks; they are the same here now.";
  }
  if (!quietly) showMarks();
}

function takeUpDraft() {
  const text = draftText(), draft = draftFrom(text);
  desk.trouble = writeDraft(`${DRAFTS}probe`, "-") || writeDraft(`${DRAFTS}probe`, null);
  if (draft) {
    const { sheet, saved, savedAt, at, open } = draft, { fresh, changed, removed } = differences(sheet);
    Object.assign(desk, { seen: text, sheet, saved, savedAt });
    const count = fresh.length, many = `${count} mark${count === 1 ? "" : "s"} of yours from ${momentInWords(at)}`;
    if (changed.length || removed.length) {
      desk.back = `Your changes from ${momentInWords(at)} are back: ${differencesInWords({ fresh, changed, removed })}.`;
    } else if (count) desk.back = `${many} ${count === 1 ? "is" : "are"} back.`;
    if (open) {
      desk.form = formFor(open);
      desk.back = `${desk.back} The mark that was open is open again.`.trim();
    }
  }
  for (const older of olderDrafts()) {
    const adds = (sheet) => !sameSheet(takenOver(older.draft, sheet), sheet);
    if (!adds(filed)) writeDraft(older.key, null); // the file has it all
    else if (adds(desk.sheet)) desk.older.set(older.key, older);
  }
  desk.offers = [...desk.older.keys()];
  showForm(true);
}

// --- what is said ------------------------------------------------------------------------------------------------

const TROUBLES = {
  closed: "This browser keeps nothing for this page (a private window, or its settings): save your marks before you leave.",
  full: "The browser’s store for this page is full or shut, and your marks are not kept there: save them before you leave.",
};

// Says it only where it is new: what is read aloud is not read twice.
function tell(id, text) {
  if (find(id).textContent !== text) find(id).textContent = text;
}

// Drafts that came back, and work on older versions of the page.
let draftsShown = "";

function showDrafts() {
  const now = [desk.back, ...desk.offers, sameSheet(desk.sheet, filed)].join();
  if (now === draftsShown) return; // what did not change keeps the keyboard
  draftsShown = now;
  const line = (text, ...acts) => {
    const said = made("p", "draft", text);
    for (const [name, does] of acts) {
      const button = made("button", "small", name);
      button.type = "button";
      button.addEventListener("click", () => { desk.said = ""; does(); find("undo").focus({ preventScroll: true }); });
      said.append(" ", button);
    }
    return said;
  };
  const without = (key) => desk.offers.filter((other) => other !== key);
  const lines = desk.offers.map((key) => {
    const { draft } = desk.older.get(key), what = differencesInWords(differences(draft.sheet, draft.base));
    const rest = draft.open ? [what, "1 not finished"].filter(Boolean).join(", ") : what;
    return line(
      `Work of yours from ${momentInWords(draft.at)} in another version of this page is not in this one: ${rest}.`,
      ["Take it over", () => leaveForm() && commit("taking over older work", { sheet: takenOver(draft, desk.sheet), offers: without(key) })],
      ["Delete it", () => leaveForm() && commit("deleting older work", { offers: without(key) })]);
  });
  if (desk.back) {
    const discard = ["Discard", () => commit("discarding what was back", { sheet: filed }, stateNow())];
    lines.unshift(line(desk.back, ...(sameSheet(desk.sheet, filed) ? [] : [discard])));
  }
  find("drafts").replaceChildren(...lines);
}

// What Save marks would write, or has written, against the marks of the file.
function changesInWords() {
  const what = differencesInWords(differences(desk.sheet));
  if (!what) return "";
  if (!desk.sheet.length) return `${what}. Nothing is left to save: to do without marks, delete the marks file.`;
  const against = filed.length ? "Against the marks file: " : "";
  if (!desk.saved || !sameSheet(desk.sheet, desk.saved)) return `${against}${what}. Not saved yet.`;
  const place = filed.length ? "put it in the place of the marks file and" : "then";
  return `${against}${what}. Saved at ${momentInWords(desk.savedAt)} as ${facts.marks_name}, where this browser puts its `
    + `downloads: ${place} run review again with --marks.`;
}

// What the page said of the microphone as it was made.
const HEADLINE = find("mount").textContent;
// A headline that gets shorter leaves its room empty: the picture must not move under a click.
find("mount").parentElement.style.minHeight = `${find("mount").parentElement.offsetHeight}px`;

function showSteps() {
  for (const [id, way] of [["undo", "past"], ["redo", "future"]]) {
    const button = find(id), name = nextStep(way), word = id === "undo" ? "Undo" : "Redo";
    // Not "disabled": a button that is pressed until nothing is left must not lose the keyboard.
    button.setAttribute("aria-disabled", String(name === null));
    button.title = name === null ? "" : `${word}: ${name}`;
    button.setAttribute("aria-label", name === null ? word : `${word} ${name}`);
  }
  tell("said", desk.said);
}

function showMarks() {
  const { sheet, form } = desk, { removed } = differences(sheet);
  page.marks = sheet.map(markOf);
  page.editing = form ? markOf(form.entry) : null;
  page.error = form ? formFault()?.[0] ?? "" : "";
  const all = shownMarks();
  const own = removed.length || all.some(({ entry }) => !fileOf(entry) || !seenAlike(entry, fileOf(entry)));
  page.solved = all.length && own ? mountFrom(all) : null;
  if (page.solved) page.solved.open = Boolean(form && !isKept(form.entry) && page.editing && page.editing.heard);
  // Once the marks made here tell it, "not known" at the top would contradict what stands below.
  const told = page.solved && page.solved.sure && !facts.mount && !page.solved.open;
  tell("mount", told ? `By your marks: ${mountInWords(page.solved.ways[0].mount)}.` : HEADLINE);
  const hear = page.solved && page.solved.sure && !facts.mount
    ? " You still hear it as recorded: save the marks and run review again with --marks to hear it turned." : "";
  tell("solved", mountSentence(page.solved) + hear);
  const list = find("marks").querySelector("ul"), listed = ({ id }) => !form || id !== form.entry.id;
  const refocus = listMarks(list, page.marks.filter(listed), sides(), listActs);
  listRemoved(list, removed.filter(listed), listActs);
  refocus();
  listMoments(find("moments"), jump);
  find("save").disabled = !sheet.length;
  if (form) {
    const answer = made("div");
    answer.append(page.error || answerFor(page.editing, sides()));
    if (answer.textContent !== find("answer").textContent) find("answer").replaceChildren(...answer.childNodes);
  }
  showDrafts();
  showSteps();
  tell("trouble", desk.trouble && TROUBLES[desk.trouble]);
  tell("changes", changesInWords());
  showSides();
}

// What the list's buttons do to an entry; first the open mark is kept, or must be looked at.
const listActs = {
  jump: (mark) => jump(mark.start_s),
  change: ({ id }) => { if (leaveForm() && openForm(keptOf({ id }))) find("who").focus(); },
  remove: ({ id }) => leaveForm()
    && commit(`removing ${nameOf(keptOf({ id }))}`, { sheet: desk.sheet.filter((other) => other.id !== id) }),
  revert: ({ id }) => leaveForm() && commit(`taking ${nameOf(fileOf({ id }))} back from the file`,
    { sheet: desk.sheet.map((other) => (other.id === id ? fileOf(other) : other)) }),
  restore: ({ id }) => leaveForm() && commit(`bringing ${nameOf(fileOf({ id }))} back`, {
    sheet: [
      ...filed.filter((entry) => entry.id === id || isKept(entry)).map((entry) => keptOf(entry) ?? entry),
      ...desk.sheet.filter((entry) => !fileOf(entry)),
    ],
  }),
};

// With the open mark as it is in the form.
function shownMarks() {
  if (!page.editing) return page.marks;
  const others = page.marks.filter((mark) => mark.id !== page.editing.id);
  return [...others, page.editing];
}

// --- what is pressed ---------------------------------------------------------------------------------------------

function markAt(x, y, kind = "") {
  const seen = directionFrom(facts.picture, x, y);
  if (!seen) return;
  const at = { azimuth_deg: azimuthOf(seen) / DEG, elevation_deg: elevationOf(seen) / DEG };
  if (desk.form) { change(at, kind); return; }
  // Within a moment that is to be marked, its name and its times are meant.
  const meant = openMoments().find((moment) => moment.start_s - 0.05 <= page.time && page.time < moment.end_s);
  const { who, start_s, end_s } = meant
    ?? { who: "", start_s: page.time, end_s: Math.min(page.time + 3, facts.duration_s) };
  openForm(entryOf(newId(), { who, start_s, end_s: Math.min(end_s, facts.duration_s), distance_m: null, ...at }));
  find("who").focus({ preventScroll: false });
}

// Leaves the form by one of its ways, back to where it was opened from.
function closeForm(way) {
  const { id } = desk.form.entry, kept = isKept(desk.form.entry);
  way();
  const button = kept && find("marks").querySelector(`ul [data-id="${id}"][data-act="change"]`);
  (button || over).focus({ preventScroll: !button });
}

find("who").addEventListener("input", (event) => { if (desk.form) change({ who: event.target.value }, "who"); });
find("distance").addEventListener("input", (event) => {
  if (!desk.form) return;
  const typed = event.target.value.trim(), metres = Number.parseFloat(typed.replace(",", "."));
  const good = metres >= NEAREST_M && metres <= FARTHEST_M;
  desk.form.metres = good ? null : typed;
  change({ distance_m: good ? metres : null }, "distance");
});
find("in").addEventListener("click", () => change({ start_s: page.time }));
find("out").addEventListener("click", () => change({ end_s: page.time }));
find("cancel").addEventListener("click", () => closeForm(cancelForm));
find("marking").addEventListener("submit", (event) => {
  event.preventDefault();
  const fault = formFault();
  if (!fault) { closeForm(keepForm); return; }
  desk.said = fault[0] || "Type a name first.";
  showSteps();
  find(fault[1]).focus();
});
find("undo").addEventListener("click", undo);
find("redo").addEventListener("click", redo);
find("save").addEventListener("click", () => {
  if (!leaveForm()) return;
  const link = made("a");
  link.href = URL.createObjectURL(new Blob([marksCsv(desk.sheet)], { type: "text/csv" }));
  link.download = facts.marks_name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 1000);
  Object.assign(desk, { saved: desk.sheet, savedAt: Date.now(), said: "" });
  keepDraft();
  showMarks();
});
window.addEventListener("beforeunload", (event) => {
  if (!unsaved()) return;
  event.preventDefault();
  event.returnValue = true; // older browsers ask only for this
});
window.addEventListener("storage", (event) => { if (event.key === DRAFT) takeIn(event.newValue); });
// A tab that was frozen has missed what another wrote meanwhile.
document.addEventListener("visibilitychange", () => { if (!document.hidden) takeIn(draftText()); });
window.addEventListener("pageshow", (event) => { if (event.persisted) takeIn(draftText()); });
