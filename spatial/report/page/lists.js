// The lists beside the picture. Text from files goes in as text, never as markup.

function made(name, className, text) {
  const node = document.createElement(name);
  if (className) node.className = className;
  if (text !== undefined) node.textContent = text;
  return node;
}

// A sentence in which no line breaks inside the name of an option.
function sentence(text) {
  const node = made("span", "text");
  for (const [n, part] of text.split(/(--[a-z-]+)/).entries()) node.append(n % 2 ? made("span", "whole", part) : part);
  return node;
}

function listFindings(list, jump) {
  const titles = { fix: "fix", look: "look", note: "note" };
  for (const finding of facts.findings) {
    const moment = finding.time_s !== null, item = made("li", finding.severity);
    const said = moment ? made("button", "go") : made("div");
    said.append(made("span", "grave", titles[finding.severity]), sentence(finding.message));
    if (moment) {
      said.type = "button";
      said.append(made("div", "where link", `go to ${timecodeOf(facts.clock, finding.time_s)}`));
      said.addEventListener("click", () => jump(finding.time_s));
    } else {
      said.append(made("div", "where", "whole clip"));
    }
    item.append(said);
    list.append(item);
  }
  if (!facts.findings.length) list.append(made("li", "", "Nothing to mend, nothing to look at."));
}

// How a mark comes out, one row for each way to look at the sound; or why that cannot be told.
function answerFor(mark, sides) {
  if (!mark.heard) return made("div", "text", "Nobody is heard clearly there: move the mark to where they sound alone.");
  const box = made("div", "heard");
  for (const { name, matrix } of sides) {
    const error = errorOf(mark, matrix);
    box.append(made("span", "", name), made("span", "", placeInWords(error.heard)), made("b", "", `${degrees(error.rad, 1)} off`));
  }
  box.append(made("span", "wide", `known to ±${degrees(NEAR_BOTH * Math.hypot(mark.heard.sdRad, facts.microphone_sd_rad), 1)}`));
  if (mark.parallaxSdRad > DEG) {
    box.append(made("span", "wide", `metres not given: ${degrees(mark.parallaxSdRad)} more allowed`));
  }
  return box;
}

const SIGNS = { "in place": "✓", borderline: "≈", off: "✗" };

// A button of the list that acts on one mark.
function tool(name, act, mark, does, said = `${name} the mark of ${mark.who}`) {
  const button = made("button", "small", name);
  button.type = "button";
  Object.assign(button.dataset, { id: mark.id, act });
  button.setAttribute("aria-label", said);
  button.addEventListener("click", () => does(mark));
  return button;
}

function listMarks(list, marks, sides, acts) {
  const leave = keptFocus(list);
  list.replaceChildren();
  for (const mark of marks) {
    const item = made("li", mark.mine ? "mine" : ""), go = made("button", "go");
    go.type = "button";
    Object.assign(go.dataset, { id: mark.id, act: "jump" });
    const last = sides[sides.length - 1], error = errorOf(mark, last.matrix);
    const verdict = !error ? "– unheard" : sides.length > 1 ? `${SIGNS[error.verdict]} ${error.verdict}` : "";
    const name = made("div", "name");
    name.append(made("b", "who", mark.who), made("span", "", verdict ? `  ${verdict}` : ""));
    go.append(name, answerFor(mark, sides));
    go.append(made("div", "where",
      `${timecodeOf(facts.clock, mark.start_s)} to ${timecodeOf(facts.clock, mark.end_s)}, seen ${placeInWords(mark.seen)}`));
    go.addEventListener("click", () => acts.jump(mark));
    const tools = made("span", "tools");
    tools.append(tool("Change", "change", mark, acts.change), tool("Remove", "remove", mark, acts.remove));
    item.append(go, tools);
    if (mark.mine && filed.length) {
      const against = made("div", "where", fileOf(mark) ? "Changed against the file. " : "New: not in the file.");
      if (fileOf(mark)) {
        against.append(tool("As in the file", "revert", mark, acts.revert, `Take the mark of ${mark.who} as it is in the file`));
      }
      item.append(against);
    }
    list.append(item);
  }
  return leave;
}

// Marks of the file that were removed here, each with a way back.
function listRemoved(list, removed, acts) {
  for (const entry of removed) {
    const item = made("li", "removed");
    item.append(made("b", "who", entry.who), made("span", "where", " is in the file and removed here. "),
      tool("Bring back", "restore", entry, acts.restore));
    list.append(item);
  }
}

// A list that is made anew keeps the keyboard where it was: on the same button, else on the same mark, else on the
// mark in its place. Returns what puts it back.
function keptFocus(list) {
  const held = list.contains(document.activeElement) ? document.activeElement : null;
  if (!held) return () => {};
  const { id, act } = held.dataset, place = Array.from(list.children).findIndex((item) => item.contains(held));
  return () => {
    const all = Array.from(list.querySelectorAll("button")), same = all.filter((button) => button.dataset.id === id);
    const next = list.children[Math.min(place, list.children.length - 1)];
    const to = same.find((button) => button.dataset.act === act) ?? same[0] ?? next?.querySelector("button") ?? find("undo");
    to.focus({ preventScroll: true });
  };
}

// Moments of which nobody has said yet where their performer is seen; each goes once it has a mark.
const openMoments = () => facts.moments.filter(
  ({ start_s, end_s }) => !desk.sheet.some((entry) => entry.start_s < end_s && entry.end_s > start_s));

function listMoments(box, jump) {
  const list = box.querySelector("ol"), open = openMoments(), leave = keptFocus(list);
  box.hidden = !open.length;
  list.replaceChildren();
  for (const moment of open) {
    const item = made("li"), go = made("button", "go");
    go.type = "button";
    Object.assign(go.dataset, { id: `moment ${moment.start_s}`, act: "jump" });
    go.append(made("b", "who", moment.who), made("div", "where link",
      `${timecodeOf(facts.clock, moment.start_s)} to ${timecodeOf(facts.clock, moment.end_s)}`));
    go.addEventListener("click", () => jump(moment.start_s));
    item.append(go);
    list.append(item);
  }
  leave();
}
