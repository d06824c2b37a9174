// Notes of the chosen sound: a strip of buttons, and the computer keyboard once it is asked for.
const CODES = ["KeyA", "KeyW", "KeyS", "KeyE", "KeyD", "KeyF", "KeyT", "KeyG", "KeyY", "KeyH", "KeyU", "KeyJ", "KeyK",
  "KeyO", "KeyL", "KeyP"];
const NAMES = ["C", "C#", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B"];

const Keys = {
  octave: 0,
  held: new Map(),

  name(slot, semitones) {
    if (slot.midi === null) return "";
    const midi = slot.midi + semitones;
    return NAMES[((midi % 12) + 12) % 12] + (Math.floor(midi / 12) - 5 + Number(Kit.middle_c.slice(1)));
  },

  // Draw the strip for a slot: every setting that the device has.
  draw(slot, press, lift) {
    const strip = document.getElementById("steps");
    const buttons = [];
    for (let setting = Kit.device.low; setting <= Kit.device.high; setting += 1) {
      buttons.push(Keys.button(slot, setting - slot.at, press, lift));
    }
    strip.replaceChildren(...buttons);
    const root = strip.querySelector(".root");
    if (root) strip.scrollLeft = root.offsetLeft - strip.clientWidth / 2;
  },

  button(slot, semitones, press, lift) {
    const button = document.createElement("button");
    const name = Keys.name(slot, semitones);
    const setting = signed(semitones + slot.at);
    const small = document.createElement("small");
    small.textContent = setting;
    button.type = "button";
    button.dataset.semitones = String(semitones);
    button.append(name || signed(semitones), small);
    button.setAttribute("aria-label", `${name || "note"}, set ${setting}`);
    button.classList.add(name.length > 2 ? "raised" : "plain-note");
    button.classList.toggle("root", semitones === 0);
    button.addEventListener("pointerdown", (event) => { if (event.button === 0) press(semitones, `pointer`); });
    for (const kind of ["pointerup", "pointerleave", "pointercancel"]) button.addEventListener(kind, () => lift("pointer"));
    button.addEventListener("click", (event) => { if (event.detail === 0) press(semitones, "button"); });
    return button;
  },

  // What a computer key plays: semitones from the root, or null.
  semitones(code) {
    const at = CODES.indexOf(code);
    return at < 0 ? null : at + 12 * Keys.octave;
  },

  mark(semitones, on) {
    const button = document.querySelector(`#steps [data-semitones="${semitones}"]`);
    if (button) button.classList.toggle("sounding", on);
  },
};

function signed(number) {
  return number > 0 ? `+${number}` : number < 0 ? `−${-number}` : "0";
}
