// The transfer take: one voice, a count before every slot and one to its end, what sounds now and what to arm next.
const LEAD_S = 5; // of count before the sound that is started from
const STOP_S = 2; // how long the word to stop stands behind a slot's end

const Take = {
  voice: null,

  async play(first) {
    const whole = await Player.unless(Store.decoded("take", Player.context));
    if (!whole) return null;
    Player.stopAll();
    const from = Math.max(0, Kit.cues[first].start_s - LEAD_S);
    const both = channelsOf(whole);
    Take.voice = Player.start("take", { device: both, master: both }, { device: 1, master: 1 }, from, {});
    return Take.voice;
  },

  playing() {
    return Take.voice !== null && !Take.voice.ended;
  },

  // What to show at a moment of the take: the sound that plays, the next one and how long until it; how long until a
  // recording has to stop, and which one should just have stopped, of what was played from where it was started.
  state(seconds, from = 0) {
    const now = Kit.cues.find((cue) => seconds >= cue.start_s && seconds < cue.start_s + cue.length_s) || null;
    const next = Kit.cues.find((cue) => cue.start_s > seconds) || null;
    const stops = (cue) => cue.start_s + cue.record_s;
    const recorded = now && now.slot && seconds < stops(now);
    const over = (cue) => cue.slot && stops(cue) > from && seconds >= stops(cue) && seconds < stops(cue) + STOP_S;
    const past = Kit.cues.find(over) || null;
    return { now, next, left: next ? next.start_s - seconds : null, stop: recorded ? stops(now) - seconds : null, past };
  },

  current() {
    return Take.state(Player.place(Take.voice), Take.voice.from + 0.001); // to the millisecond: a count begins at an end
  },

  // At rest: the sound that the take would be started from.
  rest() {
    const first = Kit.cues[Number(document.getElementById("take-from").value)] || null;
    return { now: null, next: first, left: null, stop: null, past: null };
  },

  show() {
    const count = document.getElementById("count");
    if (!count) return;
    const on = Take.playing();
    const state = on ? Take.current() : Take.rest();
    const { now, next, left, stop } = state;
    Take.put(count, stop !== null ? stop.toFixed(1) : left === null ? "–" : String(Math.ceil(left)));
    Take.put(document.getElementById("now-name"), Take.name(now, "nothing"));
    Take.put(document.getElementById("take-record"), Take.record(state));
    document.getElementById("take-record").classList.toggle("stop", stop !== null || (on && state.past !== null));
    Take.put(document.getElementById("next-name"), Take.name(next, "no more"));
    Take.put(document.getElementById("next-what"), next && !next.slot ? "Next, no slot to arm" : "Next to arm");
    Word.put(document.getElementById("play-take"), on);
  },

  // What to do about the recording.
  record({ now, next, stop, past }) {
    if (stop !== null) return `Stop recording in ${stop.toFixed(1)} s${Kit.full ? ", no later" : ""}: ${now.record} s in all`;
    if (past) return `Stop recording now: slot ${past.slot} has its ${past.record} s`;
    if (now) return now.slot ? "Recorded: this is only its loop going on" : "Do not record this: set the input by it";
    if (!next) return "Nothing more to record";
    return next.slot ? `Record ${next.record} s of it, from where it starts` : `Do not record the ${next.name}`;
  },

  // The same for the status line, which is read aloud: it changes where there is something to do, not with every tenth.
  words() {
    const { now, next, stop, past } = Take.current();
    const arm = next ? (next.slot ? `arm ${Take.name(next)}, ${next.record} s` : `${next.name} comes, arm no slot`) : "no more comes";
    if (stop !== null) return `The transfer take: ${Take.name(now)} sounds, record ${now.record} s`;
    if (past) return `The transfer take: stop recording slot ${past.slot}; ${arm}`;
    if (now && !now.slot) return `The transfer take: ${now.name}, not recorded`;
    return `The transfer take: ${arm}`;
  },

  put(element, text) {
    if (element.textContent !== text) element.textContent = text;
  },

  name(cue, none) {
    return cue ? `${cue.slot || ""} ${cue.name}`.trim() : none;
  },
};
