// What the page carries: its data, and sounds that are unpacked when they are first heard.
const Kit = JSON.parse(document.getElementById("kit-data").textContent);
const slotOf = new Map(Kit.slots.map((slot) => [slot.slot, slot]));
const LONGEST_S = 16; // of a looped note
const KEPT = 48; // notes

const Store = {
  waiting: new Map(),
  texts: new Map(),
  masters: new Map(),
  codes: new Map(),
  notes: new Map(),
  songs: new Map(),

  // The text of a sound: in the page, or in a file beside it.
  text(key) {
    if (!Store.texts.has(key)) {
      const here = document.getElementById(`clip-${key}`);
      Store.texts.set(key, here ? Promise.resolve(here.textContent) : Store.fetched(key));
    }
    return Store.texts.get(key);
  },

  fetched(key) {
    return new Promise((resolve, reject) => {
      Store.waiting.set(key, resolve);
      const script = document.createElement("script");
      script.src = `sheet/${key}.js`;
      script.onerror = () => reject(new Error(`sheet/${key}.js is not beside the page`));
      document.head.append(script);
    });
  },

  arrived(key, text) {
    const resolve = Store.waiting.get(key);
    if (resolve) resolve(text);
  },

  async decoded(key, context) {
    if (!Store.masters.has(key)) {
      const text = await Store.text(key);
      Store.masters.set(key, context.decodeAudioData(Sound.bytes(text).buffer));
    }
    return Store.masters.get(key);
  },

  // The song as samples; one that lies at the device's own rate is brought to the page's as its slots are.
  async song(key, context) {
    if (!(key === "song-device" && Kit.song) || Kit.song.rate_hz === context.sampleRate) {
      return channelsOf(await Store.decoded(key, context));
    }
    if (!Store.songs.has(key)) {
      const whole = channelsOf(await Store.decoded(key, new OfflineAudioContext(1, 1, Kit.song.rate_hz)));
      const both = [];
      for (const one of whole) {
        both.push(await Sound.resampled(one, Kit.song.rate_hz, context.sampleRate));
      }
      Store.songs.set(key, both);
    }
    return Store.songs.get(key);
  },

  async stored(slot) {
    if (!Store.codes.has(slot.key)) {
      const text = await Store.text(slot.key);
      Store.codes.set(slot.key, Sound.channels(Sound.bytes(text), slot.width, slot.channels));
    }
    return Store.codes.get(slot.key);
  },

  // The device's version of a note, `semitones` from the slot's root: what its converter puts out.
  async device(slot, semitones, rate) {
    const key = `device ${slot.key} ${semitones} ${rate}`;
    if (!Store.notes.has(key)) {
      const ratio = 2 ** ((semitones + slot.at) / 12);
      const channels = await Store.stored(slot);
      Store.keep(key, channels.map((one) => {
        const played = Sound.varispeed(one, ratio, slot.loop, Math.ceil(LONGEST_S * slot.rate));
        return Sound.resample(played, slot.rate, rate);
      }));
    }
    return Store.notes.get(key);
  },

  // The same note of the master, which has every sound once and whole.
  async master(slot, semitones, context) {
    if (!slot.master) return null;
    const key = `master ${slot.master} ${semitones + slot.copy} ${context.sampleRate}`;
    if (!Store.notes.has(key)) {
      const whole = await Store.decoded(slot.master, context);
      const ratio = 2 ** ((semitones + slot.copy) / 12);
      const channels = Array.from({ length: whole.numberOfChannels }, (_, at) => whole.getChannelData(at));
      Store.keep(key, channels.map((one) => (ratio === 1 ? one : Sound.varispeed(one, ratio, null, Infinity))));
    }
    return Store.notes.get(key);
  },

  keep(key, channels) {
    if (Store.notes.size >= KEPT) Store.notes.delete(Store.notes.keys().next().value);
    Store.notes.set(key, channels);
  },
};
Store.varispeedMost = LONGEST_S;
