// The lists beside the picture. Text from files goes in as text, never as markup.

function made(name, className, text) {
  const node = document.createElement(name);
  if (className) node.className = className;
  if (text !== undefined) node.textContent = text;
  return node;
}

function listFindings(list, jump) {
  const titles = { fix: "fix", look: "look", note: "note" };
  for (const finding of facts.findings) {
    const item = made("li", finding.severity), go = made("button", "go");
    go.type = "button";
    go.append(made("span", "grave", titles[finding.severity]), made("span", "text", finding.message));
    const where = finding.time_s === null ? "whole clip" : `go to ${timecodeOf(facts.clock, finding.time_s)}`;
    go.append(made("div", "where", where));
    go.addEventListener("click", () => jump(finding.time_s ?? 0));
    item.append(go);
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
  box.append(made("span", "wide", `known to ±${degrees(NEAR_ONE * mark.heard.sdRad, 1)}`));
  return box;
}

const SIGNS = { "in place": "✓", borderline: "≈", off: "✗" };

function listMarks(list, marks, sides, act) {
  list.replaceChildren();
  for (const mark of marks) {
    const item = made("li", mark.mine ? "mine" : ""), go = made("button", "go");
    go.type = "button";
    const last = sides[sides.length - 1], error = errorOf(mark, last.matrix);
    const verdict = !error ? "– unheard" : sides.length > 1 ? `${SIGNS[error.verdict]} ${error.verdict}` : "";
    go.append(made("b", "who", mark.who), made("span", "", verdict ? `  ${verdict}` : ""));
    go.append(answerFor(mark, sides));
    go.append(made("div", "where",
      `${timecodeOf(facts.clock, mark.start_s)} to ${timecodeOf(facts.clock, mark.end_s)}, seen ${placeInWords(mark.seen)}`));
    go.addEventListener("click", () => act.jump(mark.start_s));
    if (mark.mine) {
      const tools = made("span", "tools");
      for (const [name, does] of [["Change", act.change], ["Remove", act.remove]]) {
        const button = made("button", "small", name);
        button.type = "button";
        button.setAttribute("aria-label", `${name} the mark of ${mark.who}`);
        button.addEventListener("click", () => does(mark));
        tools.append(button);
      }
      item.append(tools);
    }
    item.prepend(go);
    list.append(item);
  }
}
