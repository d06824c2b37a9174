// The status line: what sounds just now, in words that stay true when it ends, or something that was said once.
const Status = {
  voice: null, // whose words stand there

  say(text) {
    Status.voice = null;
    Status.write(text);
  },

  // Let a voice say what it plays as long as it sounds; `words` is asked again whenever something may have changed.
  follow(voice, words, over = "") {
    Object.assign(voice, { words, over });
    Status.voice = voice;
    Status.write(words());
  },

  // After an end the newest of what still sounds has the word, else how it ended.
  update() {
    if (!Status.voice) return;
    if (!Status.voice.ended) {
      Status.write(Status.voice.words());
      return;
    }
    const left = Player.voices.filter((voice) => voice.words);
    if (left.length) {
      Status.voice = left[left.length - 1];
      Status.write(Status.voice.words());
    } else {
      Status.say(Status.voice.over);
    }
  },

  // Which version of a voice is heard.
  version(voice) {
    return voice.gains[Player.version] ? Player.version : `no ${Player.version} of it is here, so it is silent`;
  },

  write(text) {
    const line = document.getElementById("status");
    if (line.textContent !== text) line.textContent = text;
  },
};
