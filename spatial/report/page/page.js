// The parts of the page that others speak to, and how all stands at a moment.

const find = (id) => document.getElementById(id);
const movie = find("movie"), over = find("over"), around = find("around");
document.documentElement.style.setProperty("--wide", facts.picture.wide);

const page = {
  time: 0, row: -1, matrix: IDENTITY, covariance: null, side: "recorded", facing: "front",
  marks: [], editing: null, crosshair: null, dirty: true,
  solved: null, error: "",
};
