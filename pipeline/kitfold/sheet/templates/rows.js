// The rows' own buttons and outlines: each says what pressing it does now.
const Word = {
  // Turn a button between Play and Stop.
  put(button, on) {
    if (button.classList.contains("on") === on) return;
    button.classList.toggle("on", on);
    button.querySelector(".verb").textContent = on ? "Stop" : "Play";
    const sign = button.querySelector(".sign");
    if (sign) sign.textContent = on ? "■" : "▸";
  },
};

const Rows = {
  buttons: [...document.querySelectorAll("[data-play]")],

  draw(voices) {
    for (const button of Rows.buttons) Rows.drawOne(button, voices.get(Number(button.dataset.play)));
  },

  drawOne(button, voice) {
    const on = Boolean(voice);
    if (!on && !button.classList.contains("on")) return;
    Word.put(button, on);
    const wave = button.closest("li").querySelector(".wave");
    const cursor = wave.querySelector(".cursor");
    const speed = on ? 2 ** (voice.about.semitones / 12) : 1;
    const x = on ? (480 * Player.place(voice) * speed) / Number(wave.dataset.span) : -9;
    cursor.setAttribute("x1", String(x));
    cursor.setAttribute("x2", String(x));
  },

  listen(play, stop) {
    for (const button of Rows.buttons) {
      const number = Number(button.dataset.play);
      button.disabled = !slotOf.has(number);
      button.addEventListener("click", () => (button.classList.contains("on") ? stop() : play(number)));
    }
    for (const wave of document.querySelectorAll(".wave")) {
      wave.addEventListener("click", (event) => {
        const box = wave.getBoundingClientRect();
        const number = Number(wave.closest("li").dataset.slot);
        if (slotOf.has(number)) play(number, (Number(wave.dataset.span) * (event.clientX - box.left)) / box.width);
      });
    }
  },
};
