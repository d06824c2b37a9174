// The transfer take: one voice, a count before every slot, what sounds now and what to arm next.
const LEAD_S = 5; // of count before the sound that is started from

const Take = {
  voice: null,

  async play(first) {
    const whole = await Store.decoded("take", Player.context);
    Player.stopAll();
    const from = Math.max(0, Kit.cues[first].start_s - LEAD_S);
    const both = channelsOf(whole);
    Take.voice = Player.start("take", { device: both, master: both }, { device: 1, master: 1 }, from, {});
  },

  playing() {
    return Take.voice !== null && !Take.voice.ended;
  },

  // What to show at a moment of the take: the sound that plays, the next one, and how long until it.
  state(seconds) {
    const now = Kit.cues.find((cue) => seconds >= cue.start_s && seconds < cue.start_s + cue.length_s) || null;
    const next = Kit.cues.find((cue) => cue.start_s > seconds) || null;
    return { now, next, left: next ? next.start_s - seconds : null };
  },

  show() {
    const count = document.getElementById("count");
    if (!count) return;
    const on = Take.playing();
    const { now, next, left } = on ? Take.state(Player.place(Take.voice)) : { now: null, next: Kit.cues[0], left: null };
    Take.put(count, left === null ? "–" : String(Math.ceil(left)));
    Take.put(document.getElementById("now-name"), Take.name(now, "nothing"));
    Take.put(document.getElementById("next-name"), Take.name(next, "no more"));
    Take.put(document.getElementById("next-what"), next && !next.slot ? "Next, no slot to arm" : "Next to arm");
    document.getElementById("play-take").setAttribute("aria-pressed", String(on));
  },

  put(element, text) {
    if (element.textContent !== text) element.textContent = text;
  },

  name(cue, none) {
    return cue ? `${cue.slot || ""} ${cue.name}`.trim() : none;
  },
};
