// Draws the charts in the viewer's colour scheme, tells their marks by keyboard, makes tables sort, and long ones filter. Without it the page shows still pictures.
(() => {
  "use strict";
  const charts = JSON.parse(document.getElementById("page_charts").textContent);
  const dark = matchMedia("(prefers-color-scheme: dark)");
  const narrow = matchMedia("(max-width: 40rem)");

  function config() {
    const chosen = { ...charts.configs[dark.matches ? "dark" : "light"] };
    for (const [part, change] of narrow.matches ? Object.entries(charts.narrow) : []) {
      chosen[part] = { ...chosen[part], ...change };
    }
    return chosen;
  }

  // Vega-Lite says this of every chart as wide as the page and as high as its rows, and draws it well.
  const needless = 'Dropping "fit-y" because spec has discrete height.';
  const warn = console.warn.bind(console);
  console.warn = (...what) => { if (!what.includes(needless)) warn(...what); };

  const drawn = new Map();
  let turn = 0;

  async function drawOne(id, spec) {
    const picture = document.querySelector(`#${id} .picture`);
    drawn.get(id)?.finalize();
    picture.querySelector(".live")?.remove();
    const live = document.createElement("div");
    live.className = "live";
    live.setAttribute("aria-hidden", "true"); // the picture around it has a name, and the table below its numbers
    picture.append(live);
    drawn.set(id, await vegaEmbed(live, spec, {
      config: config(),
      mode: "vega-lite",
      renderer: "svg",
      ast: true,
      actions: false,
      hover: false,
      defaultStyle: false,
      tooltip: { disableDefaultStyle: true, theme: "page" },
    }));
    picture.classList.add("drawn");
  }

  function marksOf(view) {
    const found = [];
    const visit = (node) => {
      if (node.tooltip) found.push(node);
      for (const inner of node.items ?? []) visit(inner);
    };
    visit(view.scenegraph().root);
    return found;
  }

  const tells = (tooltip) => Object.entries(tooltip).map(([name, value]) => (name ? `${name}: ${value}` : value)).join("; ");

  // What a mark tells when pointed at, the arrow keys tell as well, mark by mark.
  function byKeyboard(id) {
    const figure = document.getElementById(id);
    const picture = figure.querySelector(".picture");
    const told = document.createElement("p");
    let at = -1;
    told.className = "told";
    told.setAttribute("role", "status");
    picture.tabIndex = 0;
    picture.after(told);

    function point(to) {
      const marks = drawn.has(id) ? marksOf(drawn.get(id).view) : [];
      for (const one of figure.querySelectorAll(".pointed")) one.classList.remove("pointed");
      at = Math.min(Math.max(to, -1), marks.length - 1);
      marks[at]?._svg?.classList.add("pointed");
      told.textContent = at >= 0 ? tells(marks[at].tooltip) : marks.length ? `Arrow keys tell the ${marks.length} marks of this picture one by one.` : "";
    }

    picture.addEventListener("focus", () => point(-1));
    picture.addEventListener("blur", () => { point(-1); told.textContent = ""; });
    picture.addEventListener("keydown", (event) => {
      const to = { ArrowRight: at + 1, ArrowDown: at + 1, ArrowLeft: Math.max(at - 1, 0), ArrowUp: Math.max(at - 1, 0), Home: 0, End: Infinity, Escape: -1 }[event.key];
      if (to === undefined || event.altKey || event.ctrlKey || event.metaKey) return;
      event.preventDefault();
      point(to);
    });
  }

  async function draw() {
    const mine = ++turn;
    for (const [id, spec] of Object.entries(charts.specs)) {
      if (mine === turn) await drawOne(id, spec);
    }
    performance.mark("drawn");
  }

  if (Object.keys(charts.specs).length) {
    Object.keys(charts.specs).forEach(byKeyboard);
    draw();
    dark.addEventListener("change", draw);
    narrow.addEventListener("change", draw);
  }

  const words = new Intl.Collator("en", { numeric: true });

  function compare(a, b) {
    if (a.dataset.sort === undefined) return words.compare(a.textContent, b.textContent);
    const [x, y] = [Number(a.dataset.sort), Number(b.dataset.sort)];
    return Number.isNaN(x) ? words.compare(a.dataset.sort, b.dataset.sort) : x - y;
  }

  function sort(table, heading, at) {
    const down = heading.getAttribute("aria-sort") === "ascending";
    for (const other of table.tHead.rows[0].cells) other.removeAttribute("aria-sort");
    heading.setAttribute("aria-sort", down ? "descending" : "ascending");
    const known = (row) => (row.cells[at].dataset.unknown === undefined ? 0 : 1);
    const rows = [...table.tBodies[0].rows].sort((a, b) => {
      if (known(a) || known(b)) return known(a) - known(b);
      const order = compare(a.cells[at], b.cells[at]);
      return down ? -order : order;
    });
    table.tBodies[0].append(...rows);
  }

  const FILTERED_FROM = 16;
  const LONG_FROM = 7;

  function filter(table) {
    const rows = [...table.tBodies[0].rows];
    const label = document.createElement("label");
    const input = document.createElement("input");
    const told = document.createElement("output");
    label.className = "filter";
    input.type = "search";
    label.append("Rows with", input, told);
    input.addEventListener("input", () => {
      const wanted = input.value.trim().toLowerCase();
      for (const row of rows) row.hidden = !row.textContent.toLowerCase().includes(wanted);
      told.textContent = wanted ? `${rows.filter((row) => !row.hidden).length} of ${rows.length} rows` : "";
    });
    table.parentElement.before(label);
  }

  for (const table of document.querySelectorAll("table")) {
    const count = table.tBodies[0].rows.length;
    if (count >= FILTERED_FROM) filter(table);
    if (count >= LONG_FROM) table.classList.add("long");
    [...table.tHead.rows[0].cells].forEach((heading, at) => {
      const button = document.createElement("button");
      button.type = "button";
      button.append(...heading.childNodes);
      button.addEventListener("click", () => sort(table, heading, at));
      heading.append(button);
    });
  }
})();
