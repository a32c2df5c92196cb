// Sound for each way the head faces. The movie carries the front; the others are files that run beside it.

class Ears {
  constructor(movie) {
    this.movie = movie;
    this.others = {};
    this.now = "front";
    for (const [facing, source] of Object.entries(facts.sounds)) {
      const player = new Audio();
      player.preload = "metadata";
      player.src = source;
      this.others[facing] = player;
    }
    movie.addEventListener("play", () => this.run());
    movie.addEventListener("seeked", () => this.place());
    for (const name of ["pause", "ended", "waiting", "emptied"]) movie.addEventListener(name, () => this.rest());
    movie.addEventListener("playing", () => this.run());
    movie.addEventListener("timeupdate", () => this.keepStep());
  }

  get other() { return this.others[this.now]; }

  face(facing) {
    this.rest();
    this.now = facing in this.others ? facing : "front";
    this.movie.muted = this.now !== "front";
    this.place();
    if (!this.movie.paused) this.run();
  }

  loudness(part) {
    // Equal steps of the control sound like equal steps.
    for (const player of [this.movie, ...Object.values(this.others)]) player.volume = part ** 2;
  }

  place() { if (this.other) this.other.currentTime = this.movie.currentTime; }
  rest() { for (const player of Object.values(this.others)) player.pause(); }

  run() {
    if (!this.other || this.movie.paused || !this.other.paused) return;
    this.place();
    this.other.play().catch(() => {});
  }

  // Two players never start at one instant: a large gap is jumped over, a small one caught up.
  keepStep() {
    if (!this.other || this.movie.paused) return;
    const late = this.movie.currentTime - this.other.currentTime;
    if (Math.abs(late) > 0.25) this.place();
    this.other.playbackRate = Math.abs(late) > 0.02 ? 1 + Math.max(-0.04, Math.min(0.04, late)) : 1;
  }
}
