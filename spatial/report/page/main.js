// The page itself: playing, jumping, keys.

const ears = new Ears(movie);
const timeline = new Timeline(find("ribbon"), find("head"), (time) => jump(time));

// The ways to look at it: as recorded, as corrected, and by the marks made here.
function sides() {
  const known = [{ key: "recorded", name: "As recorded", matrix: IDENTITY }];
  if (facts.mount) {
    known.push({ key: "corrected", name: "As corrected", matrix: facts.mount, covariance: facts.mount_covariance });
  }
  if (page.solved && page.solved.sure) {
    known.push({ key: "mine", name: "By your marks", matrix: page.solved.ways[0].matrix, covariance: page.solved.ways[0].covariance });
  }
  return known;
}

function jump(time) {
  page.time = Math.min(Math.max(time, 0), facts.duration_s);
  // A hair inside the picture that begins there, or rounding shows the one before.
  movie.currentTime = Math.min(page.time + 1e-3, Math.max(facts.duration_s - 1e-3, 0));
  update();
}

function update() {
  page.row = rowAt(page.time);
  page.dirty = true;
}

function choose(box, options, chosen, act) {
  const held = box.contains(document.activeElement);
  box.querySelectorAll("label").forEach((old) => old.remove());
  for (const option of options) {
    const label = made("label", "", option.name), input = made("input");
    Object.assign(input, { type: "radio", name: box.id, value: option.key, checked: option.key === chosen, disabled: !!option.off });
    input.addEventListener("change", () => act(option.key));
    label.prepend(input);
    box.append(label);
    if (held && input.checked) input.focus({ preventScroll: true });
  }
}

function showSides() {
  const known = sides();
  if (!known.some((side) => side.key === page.side)) page.side = known[known.length - 1].key;
  ({ matrix: page.matrix, covariance: page.covariance = null } = known.find((side) => side.key === page.side));
  choose(find("sides"), known, page.side, (key) => { page.side = key; showSides(); });
  const fixed = facts.mount && page.side !== "corrected";
  const facing = ["front", "left", "back", "right"].map((key) => ({ key, name: key, off: fixed && key !== "front" }));
  choose(find("heads"), facing, fixed ? "front" : page.facing, (key) => { page.facing = key; showSides(); });
  // Sound is made for the mount that Python found; for the marks made here it is still as recorded.
  ears.face(fixed ? "recorded" : page.facing);
  timeline.dirty = true;
  update();
}

over.addEventListener("click", (event) => {
  if (!movie.paused) { movie.pause(); return; }
  const box = over.getBoundingClientRect();
  markAt((event.clientX - box.left) / box.width, (event.clientY - box.top) / box.height);
});

// Playing.
const toggle = () => (movie.paused ? movie.play().catch(() => {}) : movie.pause());
find("play").addEventListener("click", toggle);
for (const name of ["play", "pause", "ended"]) {
  movie.addEventListener(name, () => { find("play").textContent = movie.paused ? "Play" : "Stop"; });
}
movie.addEventListener("error", () => {
  find("now").textContent = `${facts.movie} does not play: it must lie in the same folder as this page.`;
});
find("volume").addEventListener("input", (event) => ears.loudness(event.target.value / 100));
find("closer").addEventListener("click", () => timeline.zoom(0.5, page.time));
find("wider").addEventListener("click", () => timeline.zoom(2, page.time));
find("whole").addEventListener("click", () => timeline.show(0, facts.duration_s));

document.addEventListener("keydown", (event) => {
  const typing = event.target.matches("input:not([type=radio]):not([type=range])");
  if (event.isComposing) return;
  if (event.key === "Escape" && page.editing) { find("cancel").click(); return; }
  if ((event.ctrlKey || event.metaKey) && !event.altKey && /^[zy]$/i.test(event.key)) {
    event.preventDefault();
    if (event.shiftKey || /y/i.test(event.key)) redo(); else undo();
    return;
  }
  if (typing || event.ctrlKey || event.metaKey || event.altKey) return;
  const onControl = event.target.matches("button, input");
  const moves = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
  if (moves && page.editing && event.target === over) {
    const step = event.shiftKey ? 5 : 1, [x, y] = page.crosshair || [0.5, 0.5];
    const wide = facts.picture.view_rad / DEG, high = facts.picture.projection === "equirect" ? 180 : wide / facts.picture.wide;
    markAt(Math.min(Math.max(x + moves[0] * step / wide, 0), 1), Math.min(Math.max(y + moves[1] * step / high, 0), 1), "arrows");
  } else if (moves && moves[0] && !event.target.matches("input")) {
    movie.pause();
    jump(page.time + moves[0] * (event.shiftKey ? 1 / facts.clock.rate : 1));
  } else if (event.key === "Home" || event.key === "End") {
    jump(event.key === "Home" ? 0 : facts.duration_s);
  } else if (event.key === " " && !onControl) {
    toggle();
  } else if (event.key === "Enter" && event.target === over && page.editing) {
    find("who").focus();
  } else if (event.key === "m" || event.key === "M") {
    movie.pause();
    if (!page.editing) markAt(...(page.crosshair || aimedPlace()));
    over.focus({ preventScroll: true });
  } else if (event.key === "+" || event.key === "=") timeline.zoom(0.5, page.time);
  else if (event.key === "-") timeline.zoom(2, page.time);
  else return;
  event.preventDefault();
});

// Where M sets a new mark: where sound is heard, or the middle.
function aimedPlace() {
  const heard = page.row >= 0 ? rows[page.row].heard : null;
  return (heard && placeFrom(facts.picture, turned(turnAt(page.matrix, page.time), heard.vector))) || [0.5, 0.5];
}

// Drawing, at most once for each of the screen's pictures, and only where something changed.
function draw() {
  if (!movie.paused || movie.seeking) {
    const time = movie.seeking ? page.time : movie.currentTime;
    if (time !== page.time) { page.time = time; update(); }
  }
  if (page.dirty) {
    page.dirty = false;
    const view = { ...page, marks: shownMarks() };
    drawOver(over, view);
    drawAround(around, view);
    timeline.follow(page.time);
    if (timeline.dirty) timeline.draw(view);
    const source = seenOf(rows[page.row], page), within = source ? NEAR_BOTH * source.axes.long : 0;
    find("now").textContent = source
      ? `${placeInWords(source.vector)}  ±${degrees(within, within < DEG ? 1 : 0)}` : "nothing clear is heard";
    find("time").textContent = timecodeOf(facts.clock, page.time);
    find("ribbon").setAttribute("aria-valuenow", page.time.toFixed(2));
    find("ribbon").setAttribute("aria-valuetext", timecodeOf(facts.clock, page.time));
  } else if (timeline.dirty) {
    page.dirty = true;
  }
  requestAnimationFrame(draw);
}

const stale = () => { timeline.dirty = true; update(); };
new ResizeObserver(stale).observe(over);
new ResizeObserver(stale).observe(find("ribbon"));
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", stale);
find("ribbon").setAttribute("aria-valuemax", facts.duration_s.toFixed(2));
listFindings(find("findings").querySelector("ul"), (time) => jump(time));
page.side = facts.mount ? "corrected" : "recorded";
ears.loudness(find("volume").value / 100);
takeUpDraft();
showMarks();
jump(0);
requestAnimationFrame(draw);
