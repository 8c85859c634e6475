"use strict";
(function () {
  const data = JSON.parse(document.getElementById("data").textContent);
  const root = document.documentElement;
  const byId = (id) => document.getElementById(id);

  // Records arrive as one list for each field; charts and tables want rows.
  const rows = {};
  for (const [name, columns] of Object.entries(data.rows)) {
    const fields = Object.keys(columns);
    const count = fields.length ? columns[fields[0]].length : 0;
    rows[name] = Array.from({ length: count }, (_, i) => {
      const row = {};
      for (const field of fields) row[field] = columns[field][i];
      return row;
    });
  }

  const state = { units: "us", theme: "", picked: -1, induction: "", cooling: "", publisher: "", search: "" };
  let section = "";
  // A page without records of builds has no filters and no card.
  const units = rows.units || [];
  let kept = new Set(units.map((unit) => unit.u));
  let drawn = {};
  const THIN = "\u202f";

  // ---- numbers: the factors and digits of the report, used for reported figures only ----
  function scaleOf(quantity) {
    return data.scales[state.units][quantity];
  }
  function plain(value, digits) {
    const text = Math.abs(value).toFixed(digits);
    const negative = value < 0 && Number(text) !== 0;
    const [whole, part] = text.split(".");
    const grouped = whole.length > 4 ? whole.replace(/\B(?=(\d{3})+$)/g, THIN) : whole;
    return (negative ? "\u2212" : "") + grouped + (part ? "." + part : "");
  }
  function show(value, quantity, withUnit) {
    if (value === null || value === undefined) return "\u2013";
    if (!quantity) return typeof value === "number" ? plain(value, 0) : String(value);
    const scale = scaleOf(quantity);
    return plain(value * scale.factor, scale.digits) + (withUnit && scale.unit ? THIN + scale.unit : "");
  }

  // ---- the address remembers units, theme and the open build: #flow&units=si&theme=dark&build=3 ----
  function readFragment() {
    for (const piece of location.hash.replace(/^#/, "").split("&")) {
      const [key, value] = piece.split("=");
      if (value === undefined) section = /^[\w-]+$/.test(key) ? key : "";
      else if (key === "units" && (value === "us" || value === "si")) state.units = value;
      else if (key === "theme" && (value === "dark" || value === "light")) state.theme = value;
      else if (key === "build" && /^\d+$/.test(value) && units[Number(value)]) state.picked = Number(value);
    }
  }
  function writeFragment() {
    const pieces = [];
    if (section) pieces.push(section);
    if (state.units !== "us") pieces.push("units=" + state.units);
    if (state.theme) pieces.push("theme=" + state.theme);
    if (state.picked >= 0) pieces.push("build=" + state.picked);
    // What a page's own script keeps in the address stays there.
    pieces.push(...location.hash.replace(/^#/, "").split("&").filter((piece) => /=/.test(piece) && !/^(units|theme|build)=/.test(piece)));
    history.replaceState(null, "", "#" + pieces.join("&"));
    linkPages();
  }
  // The other pages open in the same units and theme.
  function linkPages() {
    const pieces = [];
    if (state.units !== "us") pieces.push("units=" + state.units);
    if (state.theme) pieces.push("theme=" + state.theme);
    for (const link of document.querySelectorAll("nav.pages a, a.page")) {
      const [file, old] = link.getAttribute("href").split("#");
      const place = (old || "").split("&").filter((piece) => piece && !piece.includes("="));
      const kept = [...place, ...pieces];
      link.href = file + (kept.length ? "#" + kept.join("&") : "");
    }
  }

  // ---- charts ----
  function dataFor(name) {
    const sets = {};
    for (const set of data.uses[name]) {
      // Copies: each chart adds its own fields to the rows it is given.
      sets[set] = rows[set].filter((row) => row.u === undefined || row.u === null || kept.has(row.u)).map((row) => ({ ...row }));
    }
    return sets;
  }
  // One chart at a time: two at once in the same place would leave the older one standing.
  let busy = Promise.resolve();
  function draw(name) {
    busy = busy.then(() => drawNow(name)).catch((error) => console.error(error));
    return busy;
  }
  async function drawNow(name) {
    const spec = data.charts[state.units][name];
    const target = byId("plot-" + name);
    const filled = kept;
    if (drawn[name]) drawn[name].finalize();
    drawn[name] = await vegaEmbed(
      target,
      { ...spec, datasets: { ...(spec.datasets || {}), ...dataFor(name) } },
      { ast: true, actions: false, renderer: "svg", tooltip: { theme: "custom", disableDefaultStyle: true } }
    );
    target.style.minHeight = "";
    const view = drawn[name].view;
    view.addEventListener("click", (event, item) => {
      const number = item && item.datum && typeof item.datum.u === "number" ? item.datum.u : lineOf(item);
      pick(number === state.picked ? -1 : number, true);
    });
    if (filled !== kept) for (const [set, items] of Object.entries(dataFor(name))) view.data(set, items);
    await view.signal("picked", state.picked).runAsync();
  }
  // A line is one item whose rows hang below it.
  function lineOf(item) {
    const first = item && item.mark && item.mark.items && item.mark.items[0];
    return first && first.datum && typeof first.datum.u === "number" ? first.datum.u : -1;
  }
  // What can be seen is drawn first; the rest follows while the page is idle, nearest first, in places kept free for it.
  function distance(name) {
    const place = byId("plot-" + name).getBoundingClientRect();
    return place.bottom < 0 ? -place.bottom : Math.max(place.top - innerHeight, 0);
  }
  function nearest(names) {
    return names.reduce((best, name) => (distance(name) < distance(best) ? name : best));
  }
  function idle() {
    return new Promise((done) => (window.requestIdleCallback ? requestIdleCallback(done, { timeout: 120 }) : setTimeout(done, 1)));
  }
  const AXES = 50;
  function keepPlaces() {
    for (const [name, spec] of Object.entries(data.charts[state.units]))
      if (!drawn[name] && typeof spec.height === "number") byId("plot-" + name).style.minHeight = spec.height + AXES + "px";
  }
  let round = 0;
  async function drawAll() {
    const mine = (round += 1);
    const waiting = new Set(Object.keys(data.uses));
    while (waiting.size) {
      const name = nearest([...waiting]);
      if (distance(name) > 0) break;
      waiting.delete(name);
      await draw(name);
      if (mine !== round) return;
    }
    drawRest(waiting, mine);
  }
  async function drawRest(waiting, mine) {
    while (waiting.size) {
      await idle();
      if (mine !== round) return;
      const name = nearest([...waiting]);
      waiting.delete(name);
      await draw(name);
    }
    if (mine === round) root.dataset.drawn = state.units;
  }
  async function refill() {
    for (const [name, result] of Object.entries(drawn)) {
      const sets = dataFor(name);
      if (!data.uses[name].some((set) => rows[set].length && rows[set][0].u !== undefined)) continue;
      for (const [set, items] of Object.entries(sets)) result.view.data(set, items);
      await result.view.runAsync();
    }
    fillTables();
    tell();
  }

  // ---- which builds are drawn ----
  function filter() {
    const wanted = state.search.trim().toLowerCase();
    kept = new Set();
    for (const unit of units) {
      if (state.induction && unit.induction !== state.induction) continue;
      if (state.cooling && unit.cooling !== state.cooling) continue;
      if (state.publisher && unit.publisher !== state.publisher) continue;
      if (wanted && !(unit.name + " " + unit.publisher + " " + unit.class).toLowerCase().includes(wanted)) continue;
      kept.add(unit.u);
    }
    if (state.picked >= 0 && !kept.has(state.picked)) pick(-1, false);
    return refill();
  }
  function tell() {
    if (!byId("status")) return;
    const all = units.length;
    byId("status").textContent =
      kept.size === all ? all + " builds drawn" : kept.size + " of " + all + " builds drawn; estimates rest on all";
    const idle = kept.size === all && state.picked < 0;
    byId("clear").disabled = idle;
  }
  let cameFrom = null;
  function pick(number, byHand) {
    if (number === state.picked) return;
    if (state.picked < 0) cameFrom = document.activeElement;
    state.picked = number;
    for (const result of Object.values(drawn)) result.view.signal("picked", number).runAsync();
    openCard(byHand);
    for (const button of document.querySelectorAll("button.pick"))
      button.setAttribute("aria-pressed", String(Number(button.dataset.u) === number));
    if (number < 0 && cameFrom && cameFrom.isConnected && byHand) cameFrom.focus({ preventScroll: true });
    tell();
    writeFragment();
  }

  // ---- the record of one build ----
  function make(tag, text, className) {
    const element = document.createElement(tag);
    if (text !== undefined && text !== null) element.textContent = text;
    if (className) element.className = className;
    return element;
  }
  function openCard(byHand) {
    const card = byId("card");
    if (!card) return;
    const unit = units[state.picked];
    card.hidden = !unit;
    root.classList.toggle("has-card", Boolean(unit));
    if (!unit) return;
    const body = byId("card-body");
    const name = make("h2");
    name.id = "card-name";
    name.append(make("bdi", unit.name));
    const list = make("dl");
    const add = (term, value) => {
      const pair = make("div");
      const cell = make("dd");
      cell.append(value instanceof Node ? value : make("bdi", value));
      pair.append(make("dt", term), cell);
      list.append(pair);
    };
    const source = data.sources[unit.source];
    add("Publisher", unit.publisher);
    if (source) {
      let title = make("bdi", source.title + " (" + source.licence + ")");
      if (source.url) {
        const link = make("a");
        link.href = source.url;
        link.rel = "noopener noreferrer nofollow";
        link.append(title);
        title = link;
      }
      add("Source", title);
    }
    add("Share of the rule", unit.shown);
    add("Drawn to its peers", unit.shrunk_shown);
    add("Without boost", show(unit.na_power_kw, "power", true) + ", " + unit.measured);
    if (unit.displacement_cc !== null) add("Displacement", show(unit.displacement_cc, "volume", true));
    add("Fuel", unit.fuel);
    add("Air at the dyno", show(unit.ambient_kpa, "boost", true) + " absolute");
    if (unit.flags) add("To know", unit.flags);
    if (unit.physics) add("Physics expects", unit.physics);
    const tests = rows.runs.filter((run) => run.u === unit.u);
    const columns = [
      { field: "boost_kpa", label: "Boost", quantity: "boost", number: true },
      { field: "power_kw", label: "Power", quantity: "power", number: true },
      { field: "gain", label: "Gain", quantity: "share", number: true },
      { field: "share", label: "Of rule", quantity: "share", number: true },
      { field: "run_key", label: "Record" },
    ];
    const scroll = make("div", null, "scroll");
    scroll.append(tableOf(tests, columns, "Boosted runs of this build"));
    body.replaceChildren(make("p", unit.class, "kicker"), name, list, ...deviation(unit.u), scroll);
    if (data.buildsPage) {
      const whole = make("a", "Its whole record", "page");
      whole.href = data.buildsPage + "#" + unit.at;
      body.append(whole);
      linkPages();
    }
    if (data.invented) body.append(make("p", "Invented demo data.", "small"));
    if (byHand) card.focus({ preventScroll: true });
  }

  // A deviating build has a card of its own in the page; its drawing and causes are shown here as well.
  function deviation(number) {
    const own = document.querySelector('.deviant[data-u="' + number + '"] .why');
    if (!own) return [];
    const copy = own.cloneNode(true);
    for (const details of copy.querySelectorAll("details")) details.open = false;
    return [copy];
  }

  // ---- tables and CSV files of the charts ----
  // A text that holds quantities comes once for each unit system.
  function cellOf(item, column) {
    const local = state.units === "si" ? item[column.field + "_si"] : undefined;
    return local === undefined ? item[column.field] : local;
  }
  function heading(column) {
    const unit = column.quantity ? scaleOf(column.quantity).unit : "";
    return column.label + (unit ? ", " + unit : "");
  }
  function tableOf(items, all, caption) {
    const columns = all.filter((column) => !column.onlyCsv);
    const table = make("table", null, "set");
    table.append(make("caption", caption));
    const head = make("tr");
    for (const column of columns) {
      const cell = make("th", heading(column), column.number ? "n" : "");
      cell.scope = "col";
      head.append(cell);
    }
    const top = make("thead");
    top.append(head);
    const bottom = make("tbody");
    for (const item of items) {
      const line = make("tr");
      for (const column of columns) {
        const cell = make("td", null, column.number ? "n" : "");
        const text = show(cellOf(item, column), column.quantity, false);
        if (column.field === "name" && typeof item.u === "number") {
          const button = make("button", null, "pick");
          button.type = "button";
          button.dataset.u = item.u;
          button.setAttribute("aria-pressed", String(item.u === state.picked));
          button.append(make("bdi", text));
          cell.append(button);
        } else cell.append(make("bdi", text));
        line.append(cell);
      }
      bottom.append(line);
    }
    table.append(top, bottom);
    return table;
  }
  function rowsOf(name) {
    // Cells with round edges in the reader's units differ between the systems.
    const set = data.columns[name].rows;
    return rows[typeof set === "string" ? set : set[state.units]].filter((row) => row.u === undefined || row.u === null || kept.has(row.u));
  }
  function fillTables() {
    for (const details of document.querySelectorAll("details.data")) {
      if (!details.open) continue;
      const name = details.dataset.chart;
      const items = rowsOf(name);
      const first = items.slice(0, data.mostRows);
      const caption = items.length > first.length ? "First " + first.length + " of " + items.length + " rows; the CSV file has all" : items.length + (items.length === 1 ? " row" : " rows");
      details.querySelector(".scroll").replaceChildren(tableOf(first, data.columns[name].columns, caption));
    }
  }
  // A cell that a spreadsheet would run as a formula is led by an apostrophe.
  function csvCell(value) {
    if (value === null || value === undefined) return "";
    let text = String(value);
    if (typeof value !== "number" && /^[=+\-@\t\r]/.test(text)) text = "'" + text;
    return /[",\n\r]/.test(text) ? '"' + text.replace(/"/g, '""') + '"' : text;
  }
  function csvOf(name) {
    const columns = data.columns[name].columns;
    const lines = [columns.map((column) => csvCell(heading(column))).join(",")];
    for (const row of rowsOf(name))
      lines.push(
        columns
          .map((column) => {
            const value = cellOf(row, column);
            return csvCell(column.quantity && typeof value === "number" ? Number((value * scaleOf(column.quantity).factor).toPrecision(10)) : value);
          })
          .join(",")
      );
    if (data.invented) lines.push("Invented demo data");
    return "\ufeff" + lines.join("\r\n") + "\r\n";
  }
  function download(name) {
    const link = make("a");
    link.href = URL.createObjectURL(new Blob([csvOf(name)], { type: "text/csv;charset=utf-8" }));
    link.download = "poundworth-" + name + ".csv";
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(link.href), 1000);
  }

  // ---- switches ----
  function setUnits(units) {
    state.units = units;
    root.dataset.units = units;
    for (const radio of document.querySelectorAll("input[name=units]")) radio.checked = radio.value === units;
    for (const figure of document.querySelectorAll(".plot")) {
      const words = figure.parentElement.querySelector("h3").cloneNode(true);
      for (const other of words.querySelectorAll(units === "us" ? ".si" : ".us")) other.remove();
      figure.setAttribute("aria-label", words.textContent);
    }
  }
  const prefersDark = matchMedia("(prefers-color-scheme: dark)");
  function setTheme() {
    if (state.theme) root.dataset.theme = state.theme;
    else delete root.dataset.theme;
    const dark = state.theme ? state.theme === "dark" : prefersDark.matches;
    byId("theme").setAttribute("aria-pressed", String(dark));
  }

  function listen() {
    for (const radio of document.querySelectorAll("input[name=units]"))
      radio.addEventListener("change", async () => {
        setUnits(radio.value);
        writeFragment();
        openCard(false);
        fillTables();
        await drawAll();
      });
    byId("theme").addEventListener("click", () => {
      const dark = state.theme ? state.theme === "dark" : prefersDark.matches;
      state.theme = dark ? "light" : "dark";
      setTheme();
      writeFragment();
    });
    prefersDark.addEventListener("change", setTheme);
    if (byId("filters")) listenToFilters();
    document.addEventListener("click", (event) => {
      const button = event.target.closest("button.pick, button.csv");
      const link = event.target.closest('a[href^="#"]');
      if (button && button.classList.contains("pick")) pick(Number(button.dataset.u) === state.picked ? -1 : Number(button.dataset.u), true);
      else if (button) download(button.dataset.chart);
      else if (link) {
        event.preventDefault();
        section = link.getAttribute("href").slice(1);
        goToSection();
        writeFragment();
      }
    });
    for (const details of document.querySelectorAll("details.data")) details.addEventListener("toggle", fillTables);
  }
  function listenToFilters() {
    for (const name of ["induction", "cooling", "publisher"])
      byId("f-" + name).addEventListener("change", (event) => {
        state[name] = event.target.value;
        filter();
      });
    let wait = 0;
    byId("f-search").addEventListener("input", (event) => {
      state.search = event.target.value;
      clearTimeout(wait);
      wait = setTimeout(filter, 150);
    });
    byId("clear").addEventListener("click", () => {
      for (const name of ["induction", "cooling", "publisher", "search"]) {
        state[name] = "";
        byId("f-" + name).value = "";
      }
      pick(-1, false);
      filter();
    });
    byId("card-close").addEventListener("click", () => pick(-1, true));
    document.addEventListener("keydown", (event) => {
      if (event.key === "Escape" && state.picked >= 0) pick(-1, true);
    });
  }
  function goToSection() {
    const target = section && byId(section);
    if (!target) return;
    target.setAttribute("tabindex", "-1");
    target.focus({ preventScroll: true });
    target.scrollIntoView();
  }

  async function start() {
    readFragment();
    setUnits(state.units);
    setTheme();
    listen();
    linkPages();
    tell();
    openCard(false);
    keepPlaces();
    if (section) goToSection();
    await drawAll();
    root.dataset.ready = "1";
  }
  start();
})();
