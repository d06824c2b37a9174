// The page's controls. Nothing sounds before the caution has been answered once.
const $ = (id) => document.getElementById(id);
const length = Kit.patterns;
let chosen = Kit.slots.length ? Kit.slots[0].slot : null;
const cautioned = new Set();
let dragging = false;

// Run an action that sounds; the first time after the caution, and never when it is declined.
async function sounding(action, kind = "sound") {
  const stops = Player.stops;
  if (!cautioned.has(kind)) {
    if (!(await asked())) return;
    cautioned.add(kind).add("sound");
  }
  try {
    await Player.open();
    if (stops === Player.stops) await action();
  } catch (error) {
    Status.say(`Cannot play: ${error.message}`);
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
    const voice = await Player.note(number, 0, from);
    if (voice) Status.follow(voice, () => `${slotOf.get(number).label}, ${Status.version(voice)}`);
    tick();
  });
}

function press(semitones, by) {
  const slot = slotOf.get(chosen);
  if (!inRange(slot, semitones)) {
    Status.say(`${signed(semitones + slot.at)} lies outside what ${Kit.device.name} can set for ${slot.label} (${signed(Kit.device.low)} to ${signed(Kit.device.high)})`);
    return Promise.resolve();
  }
  return sounding(async () => {
    const token = { lifted: false };
    Keys.held.set(by, { token, semitones });
    const voice = await Player.note(slot.slot, semitones);
    if (!voice) return;
    Keys.mark(semitones, true);
    const words = `${slot.label} ${Keys.name(slot, semitones)}, set ${signed(semitones + slot.at)}`;
    Status.follow(voice, () => `${words}, ${Status.version(voice)}`);
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
    const voice = await Song.play(from);
    if (voice) Status.follow(voice, () => `The song, ${Status.version(voice)}`, "The song has ended");
    tick();
  });
}

function playTake(first) {
  return sounding(async () => {
    const voice = await Take.play(first);
    if (voice) Status.follow(voice, Take.words, "The transfer take has ended");
    tick();
  }, "take"); // asked again: its level tone is louder than what the monitors were turned up for
}

function stop() {
  Player.silence();
  Status.say("");
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
  Rows.draw(new Map(Player.voices.map((voice) => [voice.name, voice])));
  Status.update();
  const place = Song.place();
  Song.show(place, length);
  Take.show();
  Word.put($("play-song"), Song.playing());
  if (Song.playing() && !dragging) $("where").value = String(place);
  if (Player.voices.length) tick();
}

Rows.listen(playRow, stop);
for (const radio of document.querySelectorAll('[name="version"]')) {
  radio.addEventListener("change", () => {
    Player.switchTo(radio.value);
    Status.update();
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
  if (event.key === "Escape" && !$("caution").open) stop();
  if (!$("typing").checked || event.repeat || event.ctrlKey || event.metaKey || event.altKey || $("caution").open) return;
  if (event.code === "KeyZ" || event.code === "KeyX") {
    Keys.octave = Math.max(-3, Math.min(3, Keys.octave + (event.code === "KeyX" ? 1 : -1)));
    Status.say(`Octave ${signed(Keys.octave)}`);
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
  // while it plays it goes on from there, as the song does
  $("take-from").addEventListener("change", () => (Take.playing() ? playTake(Number($("take-from").value)) : Take.show()));
}
if (Kit.songs.length) {
  for (const id of ["play-song", "where-label"]) $(id).hidden = false;
}
if (chosen !== null) choose(chosen);
window.kitSheet = { arrived: Store.arrived, Sound, Store, Player, Song, Keys, Notes, Status, Take, press, stop, playRow, playSong, playTake };
