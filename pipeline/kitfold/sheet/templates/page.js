// The page's controls. Nothing sounds before the caution has been answered once.
const $ = (id) => document.getElementById(id);
const length = Kit.patterns;
let chosen = Kit.slots.length ? Kit.slots[0].slot : null;
let cautioned = false;
let dragging = false;

function say(text) {
  $("status").textContent = text;
}

// Run an action that sounds; the first time after the caution, and never when it is declined.
async function sounding(action) {
  if (!cautioned) {
    if (!(await asked())) return;
    cautioned = true;
  }
  try {
    await Player.open();
    await action();
  } catch (error) {
    say(`Cannot play: ${error.message}`);
  }
}

function asked() {
  const dialog = $("caution");
  return new Promise((resolve) => {
    const answer = (yes) => { dialog.onclose = null; dialog.close(); resolve(yes); };
    $("caution-go").onclick = () => answer(true);
    $("caution-no").onclick = () => answer(false);
    dialog.onclose = () => resolve(false);
    if (!dialog.open) dialog.showModal();
  });
}

function choose(number) {
  chosen = number;
  $("chosen").value = String(number);
  Keys.draw(slotOf.get(number), press, lift);
}

function playRow(number, from = 0) {
  choose(number);
  return sounding(async () => {
    await Player.note(number, 0, from);
    say(`${slotOf.get(number).label}, ${Player.version}`);
    tick();
  });
}

function press(semitones, by) {
  const slot = slotOf.get(chosen);
  if (!inRange(slot, semitones)) {
    say(`${signed(semitones + slot.at)} lies outside what ${Kit.device.name} can set for ${slot.label} (${signed(Kit.device.low)} to ${signed(Kit.device.high)})`);
    return Promise.resolve();
  }
  return sounding(async () => {
    const token = { lifted: false };
    Keys.held.set(by, { token, semitones });
    const voice = await Player.note(chosen, semitones);
    Keys.mark(semitones, true);
    say(`${slot.label} ${Keys.name(slot, semitones)}, set ${signed(semitones + slot.at)}, ${Player.version}`);
    token.voice = voice;
    if (token.lifted && Kit.device.stops) Player.stop(voice);
    setTimeout(() => Keys.mark(semitones, false), 400);
    tick();
  });
}

function lift(by) {
  const held = Keys.held.get(by);
  if (!held) return;
  Keys.held.delete(by);
  held.token.lifted = true;
  if (held.token.voice && Kit.device.stops) Player.stop(held.token.voice);
}

function playSong(from) {
  return sounding(async () => {
    await Song.play(from);
    say(`The song, ${Player.version}`);
    tick();
  });
}

function playTake(first) {
  return sounding(async () => {
    await Take.play(first);
    say("The transfer take");
    tick();
  });
}

function stop() {
  if (Player.context) Player.stopAll();
  say("");
  tick();
}

let ticking = false;
function tick() {
  if (!ticking) {
    ticking = true;
    requestAnimationFrame(draw);
  }
}

function draw() {
  ticking = false;
  if (!Player.context) return;
  Player.sweep();
  const rows = new Map(Player.voices.map((voice) => [voice.name, voice]));
  for (const button of document.querySelectorAll("[data-play]")) drawRow(button, rows.get(Number(button.dataset.play)));
  const place = Song.place();
  Song.show(place, length);
  Take.show();
  $("play-song").setAttribute("aria-pressed", String(Song.playing()));
  if (Song.playing() && !dragging) $("where").value = String(place);
  if (Player.voices.length) tick();
}

function drawRow(button, voice) {
  const on = Boolean(voice);
  if (!on && button.getAttribute("aria-pressed") === "false") return;
  button.setAttribute("aria-pressed", String(on));
  const wave = button.closest("li").querySelector(".wave");
  const cursor = wave.querySelector(".cursor");
  const speed = on ? 2 ** (voice.about.semitones / 12) : 1;
  const x = on ? (480 * Player.place(voice) * speed) / Number(wave.dataset.span) : -9;
  cursor.setAttribute("x1", String(x));
  cursor.setAttribute("x2", String(x));
}

for (const button of document.querySelectorAll("[data-play]")) {
  const number = Number(button.dataset.play);
  button.disabled = !slotOf.has(number);
  button.addEventListener("click", () => {
    if (button.getAttribute("aria-pressed") === "true") stop();
    else playRow(number);
  });
}
for (const wave of document.querySelectorAll(".wave")) {
  wave.addEventListener("click", (event) => {
    const box = wave.getBoundingClientRect();
    const number = Number(wave.closest("li").dataset.slot);
    if (slotOf.has(number)) playRow(number, (Number(wave.dataset.span) * (event.clientX - box.left)) / box.width);
  });
}
for (const radio of document.querySelectorAll('[name="version"]')) {
  radio.addEventListener("change", () => {
    Player.switchTo(radio.value);
    say(Player.voices.length ? `Now the ${radio.value}` : "");
  });
}
$("chosen").addEventListener("change", () => choose(Number($("chosen").value)));
$("volume").addEventListener("input", () => Player.volume(Number($("volume").value)));
$("stop").addEventListener("click", stop);
$("play-song").addEventListener("click", () => (Song.playing() ? stop() : playSong(Number($("where").value) % Kit.played)));
$("where").addEventListener("input", () => { dragging = true; Song.show(Number($("where").value), length); });
$("where").addEventListener("change", () => {
  dragging = false;
  if (Song.playing()) playSong(Number($("where").value));
});
$("show-keys").addEventListener("click", () => {
  $("keys").hidden = !$("keys").hidden;
  $("show-keys").setAttribute("aria-expanded", String(!$("keys").hidden));
  if (!$("keys").hidden && chosen !== null) choose(chosen);
});
$("print-chart").addEventListener("click", () => {
  document.documentElement.classList.add("chart-alone");
  window.print();
  document.documentElement.classList.remove("chart-alone");
});
document.addEventListener("keydown", (event) => {
  if (!$("typing").checked || event.repeat || event.ctrlKey || event.metaKey || event.altKey || $("caution").open) return;
  if (event.code === "KeyZ" || event.code === "KeyX") {
    Keys.octave = Math.max(-3, Math.min(3, Keys.octave + (event.code === "KeyX" ? 1 : -1)));
    say(`Octave ${signed(Keys.octave)}`);
    return;
  }
  const semitones = Keys.semitones(event.code);
  if (semitones === null || chosen === null) return;
  event.preventDefault();
  press(semitones, event.code);
});
document.addEventListener("keyup", (event) => lift(event.code));

if ($("play-take")) {
  $("play-take").addEventListener("click", () => (Take.playing() ? stop() : playTake(Number($("take-from").value))));
}
if (Kit.songs.length) {
  for (const id of ["play-song", "where-label"]) $(id).hidden = false;
}
if (chosen !== null) choose(chosen);
window.kitSheet = { arrived: Store.arrived, Sound, Store, Player, Song, Keys, Take, press, playRow, playSong, playTake };
