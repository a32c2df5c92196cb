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
  box.append(made("span", "wide", `known to ±${degrees(NEAR_BOTH * mark.heard.sdRad, 1)}`));
  if (mark.parallaxSdRad > DEG) {
    box.append(made("span", "wide", `metres not given: ${degrees(mark.parallaxSdRad)} more allowed`));
  }
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
