// A table that is wider than its screen gets room behind its last column, so that every column can come to rest beside
// the names that stay: none rests half under them, with its sign covered.
const Tables = {
  fit(view) {
    const table = view.querySelector(".numbered");
    if (!table) return;
    table.style.marginRight = "";
    const [, name, ...rest] = table.querySelectorAll("thead th");
    const last = rest[rest.length - 1];
    if (!last || view.scrollWidth <= view.clientWidth) return;
    const stays = name.getBoundingClientRect().right - view.getBoundingClientRect().left;
    table.style.marginRight = `${Math.max(0, view.clientWidth - stays - last.offsetWidth)}px`;
  },

  fitAll() {
    for (const view of document.querySelectorAll(".scroll")) Tables.fit(view);
  },
};
Tables.fitAll();
addEventListener("resize", Tables.fitAll);
