// Voices: both versions of a note run together, and the switch only opens one of them, so that the place is kept.
const FADE_S = 0.006;

const Player = {
  context: null,
  out: null,
  version: "device",
  voices: [],
  stops: 0, // how often everything was stopped: what was asked for before that must not sound after it

  open() {
    if (!Player.context) {
      Player.context = new AudioContext({ latencyHint: "interactive" });
      Player.out = Player.context.createGain();
      Player.out.connect(Player.context.destination);
      Player.volume(Number(document.getElementById("volume").value));
    }
    return Player.context.resume();
  },

  // Loudness follows the slider by its square: a quarter of the way is -24 dB.
  volume(percent) {
    if (Player.out) Player.out.gain.value = (percent / 100) ** 2;
  },

  switchTo(version) {
    Player.version = version;
    for (const voice of Player.voices) {
      for (const [name, gain] of Object.entries(voice.gains)) {
        gain.gain.setTargetAtTime(name === version ? voice.levels[name] : 0, Player.context.currentTime, FADE_S / 2);
      }
    }
  },

  // Start both versions at one moment; either may be missing.
  start(name, versions, levels, from, about) {
    const context = Player.context;
    const when = context.currentTime + 0.03;
    const voice = { name, about, levels, gains: {}, sources: [], began: when - from, from, seconds: 0, ended: false };
    for (const [version, channels] of Object.entries(versions)) {
      if (channels) Player.add(voice, version, channels, when, from, context, Player.out);
    }
    Player.voices.push(voice);
    return voice;
  },

  add(voice, version, channels, when, from, context, out) {
    const source = context.createBufferSource();
    source.buffer = bufferOf(channels, context);
    const gain = context.createGain();
    gain.gain.value = version === Player.version ? voice.levels[version] : 0;
    source.connect(gain).connect(out);
    voice.seconds = Math.max(voice.seconds, source.buffer.duration);
    voice.gains[version] = gain;
    voice.sources.push(source);
    source.start(when, Math.min(from, source.buffer.duration));
  },

  stop(voice) {
    if (voice.ended) return;
    voice.ended = true;
    const now = Player.context.currentTime;
    for (const gain of Object.values(voice.gains)) gain.gain.setTargetAtTime(0, now, FADE_S / 2);
    for (const source of voice.sources) source.stop(now + 5 * FADE_S);
    Player.voices = Player.voices.filter((one) => one !== voice);
  },

  stopAll() {
    for (const voice of [...Player.voices]) Player.stop(voice);
  },

  // Silence everything, also what is still being read.
  silence() {
    Player.stops += 1;
    if (Player.context) Player.stopAll();
  },

  // What a promise gives, or null where everything was stopped meanwhile.
  async unless(promise) {
    const stops = Player.stops;
    const found = await promise;
    return stops === Player.stops ? found : null;
  },

  // In seconds of its sound; never before where it was started, though it begins a moment later.
  place(voice) {
    return Math.max(voice.from, Player.context.currentTime - voice.began);
  },

  sweep() {
    for (const voice of [...Player.voices]) if (Player.place(voice) > voice.seconds) Player.stop(voice);
  },

  // One note of a slot; a slot is cut by its own next note, and the oldest voice makes room, as on the device.
  async note(number, semitones, from = 0) {
    const slot = slotOf.get(number);
    const both = await Player.unless(Promise.all([
      Store.device(slot, semitones, Player.context.sampleRate),
      Store.master(slot, semitones, Player.context),
    ]));
    if (!both) return null;
    const [device, master] = both;
    for (const voice of [...Player.voices]) if (voice.name === number || typeof voice.name === "string") Player.stop(voice);
    while (Player.voices.length >= Kit.device.voices) Player.stop(Player.voices[0]);
    const levels = { device: 10 ** (slot.gain_db / 20), master: 1 };
    return Player.start(number, { device, master }, levels, from, { semitones });
  },

  // What the page would play, without playing it: for tests, and for whoever wants to check.
  async offline(number, semitones, version, rate = 48000) {
    const slot = slotOf.get(number);
    const probe = new OfflineAudioContext(1, 1, rate);
    const channels = version === "device" ? await Store.device(slot, semitones, rate) : await Store.master(slot, semitones, probe);
    const context = new OfflineAudioContext(channels.length, channels[0].length, rate);
    const source = context.createBufferSource();
    source.buffer = bufferOf(channels, context);
    source.connect(context.destination);
    source.start();
    const rendered = await context.startRendering();
    return Array.from(rendered.getChannelData(0));
  },
};

function bufferOf(channels, context) {
  const buffer = context.createBuffer(channels.length, Math.max(1, channels[0].length), context.sampleRate);
  channels.forEach((samples, at) => buffer.copyToChannel(samples, at));
  return buffer;
}

function inRange(slot, semitones) {
  const setting = semitones + slot.at;
  return setting >= Kit.device.low && setting <= Kit.device.high;
}
