// The song sketch: one voice whose place moves the score's line and marks the chord that passes.
const Song = {
  voice: null,
  chords: [...document.querySelectorAll(".ruler .chord")].map((element) => ({
    element,
    start: Number(element.dataset.start),
    end: Number(element.dataset.start) + Number(element.dataset.patterns),
  })),

  async play(fromPattern) {
    const found = await Promise.all(Kit.songs.map((key) => Store.song(key, Player.context)));
    Player.stopAll();
    const versions = {};
    Kit.songs.forEach((key, at) => {
      versions[key.replace("song-", "")] = found[at];
    });
    Song.voice = Player.start("song", versions, { master: 1, device: 1 }, fromPattern * Kit.pattern_s, {});
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
    for (const chord of Song.chords) chord.element.classList.toggle("now", patterns >= chord.start && patterns < chord.end);
  },
};

function channelsOf(buffer) {
  return Array.from({ length: buffer.numberOfChannels }, (_, at) => buffer.getChannelData(at));
}
