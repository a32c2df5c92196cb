// One axis of time: where sound came from, how loud it was, the marks, what sync rests on. Click to jump.

const LEFT_PX = 58, LEVEL_PX = 22, SYNC_PX = 16, TIME_PX = 18, TOP_PX = 4;

class Timeline {
  constructor(canvas, head, jump) {
    this.canvas = canvas;
    this.head = head;
    this.from = 0;
    this.until = facts.duration_s;
    this.dirty = true;
    const to = (event) => jump(this.timeAt(event.clientX - canvas.getBoundingClientRect().left));
    let held = false;
    canvas.addEventListener("pointerdown", (event) => {
      if (event.button) return;
      held = true;
      canvas.setPointerCapture(event.pointerId);
      to(event);
    });
    canvas.addEventListener("pointermove", (event) => { if (held) to(event); });
    for (const name of ["pointerup", "pointercancel"]) canvas.addEventListener(name, () => { held = false; });
    canvas.addEventListener("wheel", (event) => {
      const moved = Math.abs(event.deltaX) > Math.abs(event.deltaY);
      if (!moved && !event.ctrlKey && !event.metaKey) return;
      event.preventDefault();
      if (moved) this.show(this.from + event.deltaX / this.width * (this.until - this.from));
      else this.zoom(Math.exp(event.deltaY / 200), this.timeAt(event.offsetX));
    }, { passive: false });
  }

  get width() { return Math.max(1, this.canvas.clientWidth - LEFT_PX); }
  timeAt(x) {
    const time = this.from + (x - LEFT_PX) / this.width * (this.until - this.from);
    return Math.min(Math.max(time, 0), facts.duration_s);
  }
  xAt(time) { return LEFT_PX + (time - this.from) / (this.until - this.from) * this.width; }

  zoom(factor, around) {
    const span = Math.min(Math.max((this.until - this.from) * factor, Math.min(1, facts.duration_s)), facts.duration_s);
    const part = (around - this.from) / (this.until - this.from);
    this.show(around - part * span, span);
  }

  show(from, span = this.until - this.from) {
    this.from = Math.min(Math.max(from, 0), facts.duration_s - span);
    this.until = this.from + span;
    this.dirty = true;
  }

  // Keeps the place where the movie is in view, and moves the line there.
  follow(time) {
    if (time < this.from || time > this.until) this.show(time - 0.1 * (this.until - this.from));
    this.head.style.transform = `translateX(${this.xAt(time)}px)`;
  }

  draw(view) {
    this.dirty = false;
    const { pen, width, height } = sheetOf(this.canvas);
    const paint = getComputedStyle(document.documentElement);
    const colour = (name) => paint.getPropertyValue(name).trim();
    const low = height - TIME_PX - SYNC_PX - LEVEL_PX - 6, tall = Math.max(low - TOP_PX, 20);
    const yAt = (azimuth) => TOP_PX + (0.5 - azimuth / (2 * Math.PI)) * tall;
    const half = Math.min(facts.picture.view_rad / 2, Math.PI);
    const back = colour("--soft"), ink = colour("--ink"), sound = colour("--sound"), seen = colour("--seen");
    pen.fillStyle = colour("--band");
    pen.fillRect(LEFT_PX, yAt(half), width, yAt(-half) - yAt(half));
    pen.font = "11px system-ui, sans-serif";
    pen.textAlign = "right"; pen.textBaseline = "middle";
    for (const [name, azimuth] of [["behind", 168], ["left", 90], ["front", 0], ["right", -90], ["behind", -168]]) {
      pen.fillStyle = back;
      pen.fillText(name, LEFT_PX - 6, yAt(azimuth * DEG));
      pen.fillStyle = colour("--rule");
      if (Math.abs(azimuth) < 100) pen.fillRect(LEFT_PX, Math.round(yAt(azimuth * DEG)), width, 1);
    }
    pen.fillStyle = back;
    pen.fillText("level", LEFT_PX - 6, low + 4 + LEVEL_PX / 2);
    if (facts.windows.length) pen.fillText("sync", LEFT_PX - 6, low + 6 + LEVEL_PX + SYNC_PX / 2);
    pen.save();
    pen.beginPath(); pen.rect(LEFT_PX, 0, width, height); pen.clip();
    this.drawRows(pen, view, yAt, low, sound, back);
    this.drawMarks(pen, view, yAt, seen);
    this.drawFindings(pen, ink);
    this.drawSync(pen, low + 6 + LEVEL_PX, height - TIME_PX, ink, back);
    pen.restore();
    this.drawTimes(pen, height, back, colour("--rule"));
  }

  // Rows in view; where they lie closer than the screen's columns, the loudest of each column.
  rowsInView() {
    const columns = new Map(), step = facts.rows.step_s;
    for (const row of rows) {
      if (row.time < this.from - step || row.time > this.until + step) continue;
      const column = Math.round(this.xAt(row.time));
      const other = columns.get(column);
      if (!other || row.level > other.level) columns.set(column, row);
    }
    return columns.values();
  }

  drawRows(pen, view, yAt, low, sound, grey) {
    const wide = Math.max(1.5, facts.rows.step_s / (this.until - this.from) * this.width);
    for (const row of this.rowsInView()) {
      const x = this.xAt(row.time) - wide / 2, strength = strengthOf(row.level);
      pen.globalAlpha = 0.75;
      pen.fillStyle = grey;
      pen.fillRect(x, low + 4 + LEVEL_PX * (1 - strength), wide, LEVEL_PX * strength);
      const source = seenOf(row, view);
      if (!source) continue;
      const azimuth = azimuthOf(source.vector), reach = Math.min(NEAR_ONE * source.azimuthSd, Math.PI);
      pen.fillStyle = sound;
      pen.globalAlpha = 0.22 * strength;
      // Overhead or below: on every side as much.
      if (steepInWords(source.vector)) { pen.fillRect(x, yAt(Math.PI), wide, yAt(-Math.PI) - yAt(Math.PI)); continue; }
      const top = yAt(azimuth + reach);
      pen.fillRect(x, top, wide, yAt(azimuth - reach) - top);
      pen.globalAlpha = 0.15 + 0.85 * strength;
      pen.fillRect(x, yAt(azimuth) - 1.5, wide, 3);
    }
    pen.globalAlpha = 1;
  }

  drawMarks(pen, view, yAt, seen) {
    pen.strokeStyle = seen; pen.fillStyle = seen; pen.lineWidth = 2;
    pen.textAlign = "left"; pen.textBaseline = "bottom";
    for (const mark of view.marks) {
      const azimuth = azimuthOf(mark.shown), reach = facts.tolerance.azimuth_rad + mark.parallaxSdRad;
      const [left, right] = [this.xAt(mark.start_s), this.xAt(mark.end_s)];
      const steep = steepInWords(mark.shown);
      const [top, bottom] = steep ? [yAt(Math.PI) + 14, yAt(-Math.PI) - 2] : [yAt(azimuth + reach) - 2, yAt(azimuth - reach) + 2];
      pen.beginPath();
      for (const [x, way] of [[left, 1], [right, -1]]) {
        pen.moveTo(x + 5 * way, top); pen.lineTo(x, top); pen.lineTo(x, bottom); pen.lineTo(x + 5 * way, bottom);
      }
      pen.stroke();
      pen.fillText(cutTo(pen, steep ? `${mark.who}, ${steep}` : mark.who, Math.max(right - left, 60)), left + 2, top - 1);
    }
  }

  // A small flag at the top for each finding that has a moment.
  drawFindings(pen, ink) {
    pen.fillStyle = ink;
    for (const { time_s: time } of facts.findings) {
      if (time === null) continue;
      const x = this.xAt(time);
      pen.beginPath(); pen.moveTo(x - 5, 0); pen.lineTo(x + 5, 0); pen.lineTo(x, 8); pen.fill();
    }
  }

  // Windows that agree with the clock law are full, the others empty; steps are lines.
  drawSync(pen, top, bottom, ink, grey) {
    const y = (top + bottom) / 2;
    for (const [time, weight] of facts.windows) {
      pen.beginPath(); pen.arc(this.xAt(time), y, 3, 0, 2 * Math.PI);
      pen.fillStyle = grey; pen.strokeStyle = grey; pen.lineWidth = 1;
      if (weight > 0.5) pen.fill(); else pen.stroke();
    }
    pen.textAlign = "left"; pen.textBaseline = "middle";
    for (const step of facts.steps) {
      const x = this.xAt(step.clip_time_s);
      pen.fillStyle = ink;
      pen.fillRect(x - 1, 0, 2, bottom);
      pen.fillText(`clock steps ${(step.step_s * 1000).toFixed(0)} ms`, x + 4, TOP_PX + 6);
    }
    const [from, until] = facts.covered_s;
    pen.fillStyle = grey; pen.globalAlpha = 0.25;
    if (from > 0) pen.fillRect(this.xAt(0), 0, this.xAt(from) - this.xAt(0), bottom);
    if (until < facts.duration_s) pen.fillRect(this.xAt(until), 0, this.xAt(facts.duration_s) - this.xAt(until), bottom);
    pen.globalAlpha = 1;
  }

  drawTimes(pen, height, grey, rule) {
    // Whole seconds of the timecode, not of the clock: at 29.97 they drift apart.
    const { rate, start_frame: first } = facts.clock, nominal = Math.round(rate);
    const most = (this.until - this.from) * rate / Math.max(1, Math.floor(this.width / 105));
    const sizes = [1, 2, 5, 10, ...[1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1800].map((seconds) => seconds * nominal)];
    const step = sizes.find((size) => size >= most) || 3600 * nominal;
    pen.textAlign = "left"; pen.textBaseline = "middle";
    for (let n = Math.ceil((first + this.from * rate) / step - 1e-6); ; n += 1) {
      const time = (n * step - first) / rate, x = this.xAt(time);
      if (time > this.until) break;
      pen.fillStyle = rule;
      pen.fillRect(Math.round(x), height - TIME_PX, 1, TIME_PX);
      pen.fillStyle = grey;
      if (x + 80 < LEFT_PX + this.width) pen.fillText(timecodeOf(facts.clock, time), x + 4, height - TIME_PX / 2);
    }
  }
}
