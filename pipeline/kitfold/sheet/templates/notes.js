// The notes of a row: one stop of the tab key, along which the arrow keys go; each says what it is where it stands.
const STEPS = { ArrowRight: 1, ArrowLeft: -1, ArrowDown: 1, ArrowUp: -1, Home: -Infinity, End: Infinity };

const Notes = {
  tip: null,
  at: new Map(),

  of(staff) {
    return [...staff.querySelectorAll(".heard")];
  },

  show(staff, at) {
    const notes = Notes.of(staff);
    Notes.hide();
    Notes.at.set(staff, at);
    notes.forEach((note, place) => note.setAttribute("aria-selected", String(place === at)));
    notes[at].classList.add("on");
    staff.setAttribute("aria-activedescendant", notes[at].id);
    Notes.tell(staff, notes[at]);
  },

  // Write a note's words under it, inside its staff.
  tell(staff, note) {
    if (!Notes.tip) {
      Notes.tip = document.createElement("p");
      Notes.tip.className = "tip";
      Notes.tip.setAttribute("aria-hidden", "true"); // it is the name of the note that has the focus
    }
    const tip = Notes.tip;
    tip.textContent = note.querySelector("title").textContent;
    staff.parentElement.append(tip);
    const box = staff.getBoundingClientRect();
    const x = note.querySelector("ellipse").getBoundingClientRect().left - box.left;
    tip.style.left = `${Math.max(0, Math.min(x, box.width - tip.offsetWidth))}px`;
    if (staff.closest(".long, .dense")) note.scrollIntoView({ block: "nearest", inline: "nearest" });
  },

  hide() {
    for (const note of document.querySelectorAll(".heard.on")) note.classList.remove("on");
    if (Notes.tip) Notes.tip.remove();
  },

  key(staff, event) {
    const step = STEPS[event.key];
    if (step === undefined || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    const last = Notes.of(staff).length - 1;
    Notes.show(staff, Math.max(0, Math.min(last, (Notes.at.get(staff) || 0) + step)));
  },

  listen(staff) {
    staff.addEventListener("focus", () => { if (staff.matches(":focus-visible")) Notes.show(staff, Notes.at.get(staff) || 0); });
    staff.addEventListener("blur", Notes.hide);
    staff.addEventListener("keydown", (event) => Notes.key(staff, event));
    staff.addEventListener("click", (event) => {
      const note = event.target.closest(".heard");
      if (note) Notes.show(staff, Notes.of(staff).indexOf(note));
    });
  },
};
for (const staff of document.querySelectorAll(".staff")) Notes.listen(staff);
