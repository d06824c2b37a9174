// The song sketch: one voice whose place moves the score's line and marks the chord that passes.
const Song = {
  voice: null,
  chords: [...document.querySelectorAll(".ruler .chord")].map((element) => ({
    element,
    start: Number(element.dataset.start),
    end: Number(element.dataset.start) + Number(element.dataset.patterns),
  })),

  async play(fromPattern) {
    const found = await Player.unless(Promise.all(Kit.songs.map((key) => Store.song(key, Player.context))));
    if (!found) return null;
    Player.stopAll();
    const versions = {};
    Kit.songs.forEach((key, at) => {
      versions[key.replace("song-", "")] = found[at];
    });
    Song.voice = Player.start("song", versions, { master: 1, device: 1 }, fromPattern * Kit.pattern_s, {});
    return Song.voice;
  },

  playing() {
    return Song.voice !== null && !Song.voice.ended;
  },

  // In patterns from the start of the song.
  place() {
    return Song.playing() ? Math.max(0, Player.place(Song.voice)) / Kit.pattern_s : -1;
  },

  show(patterns, length) {
    const root = document.documentElement;
    root.style.setProperty("--head", patterns < 0 || patterns > length ? "-10%" : `${(100 * patterns) / length}%`);
    if (patterns >= 0 && patterns <= length) Song.follow(patterns / length);
    for (const chord of Song.chords) chord.element.classList.toggle("now", patterns >= chord.start && patterns < chord.end);
  },
};

// A score that is wider than the screen turns its pages with the song, unless its reader has just moved it.
const STAY_MS = 4000;
const staves = document.querySelector(".staves");
const rulerView = document.querySelector(".ruler-view");
let movedAt = -Infinity;

Song.follow = (share) => {
  if (staves.scrollWidth <= staves.clientWidth || performance.now() - movedAt < STAY_MS) return;
  const stave = staves.querySelector(".stave");
  if (!stave) return;
  const left = getComputedStyle(staves.querySelector(".name")).position === "sticky" && innerWidth > 736 ? stave.offsetLeft : 0;
  const head = stave.offsetLeft + share * stave.offsetWidth;
  const from = staves.scrollLeft + left;
  if (head < from || head > staves.scrollLeft + staves.clientWidth - 24) staves.scrollLeft = head - left - 24;
};
staves.addEventListener("scroll", () => { rulerView.scrollLeft = staves.scrollLeft; }, { passive: true });
for (const kind of ["wheel", "touchmove", "pointerdown", "keydown"]) {
  staves.addEventListener(kind, () => { movedAt = performance.now(); }, { passive: true });
}

function channelsOf(buffer) {
  return Array.from({ length: buffer.numberOfChannels }, (_, at) => buffer.getChannelData(at));
}
