"use strict";
// A panel is filled when it is opened first; a switch of units fills the open ones again.
(function () {
  const data = JSON.parse(document.getElementById("data").textContent);
  const root = document.documentElement;
  const SVG = "http://www.w3.org/2000/svg";
  const THIN = "\u202f";
  const units = () => root.dataset.units || "us";
  const local = (text) => (Array.isArray(text) ? text[units() === "si" ? 1 : 0] : text);

  function make(tag, text, className) {
    const element = document.createElement(tag);
    if (text !== undefined && text !== null) {
      const own = document.createElement("bdi");
      own.textContent = text;
      element.append(own);
    }
    if (className) element.className = className;
    return element;
  }
  function draw(tag, attributes, text) {
    const element = document.createElementNS(SVG, tag);
    for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
    if (text !== undefined) element.textContent = text;
    return element;
  }
  function show(value, quantity) {
    if (value === null) return "\u2013";
    const scale = data.scales[units()][quantity];
    const text = Math.abs(value * scale.factor).toFixed(scale.digits);
    const [whole, part] = text.split(".");
    const grouped = whole.length > 4 ? whole.replace(/\B(?=(\d{3})+$)/g, THIN) : whole;
    return (value < 0 && Number(text) !== 0 ? "\u2212" : "") + grouped + (part ? "." + part : "");
  }
  function listOf(lines) {
    const list = make("dl", null, "record");
    for (const [term, text] of lines) {
      const pair = make("div");
      pair.append(make("dt", term), make("dd", local(text)));
      list.append(pair);
    }
    return list;
  }
  function part(title, ...inside) {
    const block = make("div");
    block.append(make("h3", title), ...inside);
    return block;
  }

  // ---- runs against the rule, the range for a new build, and physics ----
  const STEPS = [0.05, 0.1, 0.2, 0.25, 0.5, 1, 2, 5, 10, 20, 25, 50, 100, 200, 500];
  function marks(low, high, about) {
    const step = STEPS.find((one) => (high - low) / one <= about + 0.5) || STEPS[STEPS.length - 1];
    const found = [];
    for (let k = Math.ceil(low / step - 1e-9); k * step <= high + 1e-9; k += 1) found.push(Number((k * step).toFixed(6)));
    return found;
  }
  const FRAME = { left: 34, top: 8, right: 252, bottom: 140 };
  const SEA_LEVEL_KPA = 101.325;
  function plotOf(plot, name) {
    const points = plot.points;
    const topX = points[points.length - 1][0] * 1.08;
    const expected = data.expected;
    const gains = [0, topX, ...points.map((point) => point[1]), ...(expected ? [expected[1] * topX] : [])];
    const low = Math.min(...gains);
    const high = Math.max(...gains) * 1.04;
    const x = (value) => FRAME.left + (value / topX) * (FRAME.right - FRAME.left);
    const y = (value) => FRAME.bottom - ((value - low) / (high - low)) * (FRAME.bottom - FRAME.top);
    const path = (places) => places.map((place) => x(place[0]).toFixed(1) + "," + y(place[1]).toFixed(1)).join(" ");
    const svg = draw("svg", { class: "runs", viewBox: "0 0 278 164", role: "img", "aria-label": "Gain of " + name + " over boost, against the rule" });
    for (const gain of marks(low, high, 3)) {
      svg.append(draw("line", { class: "grid", x1: FRAME.left, x2: FRAME.right, y1: y(gain), y2: y(gain) }));
      svg.append(draw("text", { class: "y", x: FRAME.left - 4, y: y(gain) + 3.5 }, Math.round(gain * 100) + THIN + "%"));
    }
    if (expected) svg.append(draw("polygon", { class: "new", points: path([[0, 0], [topX, expected[0] * topX], [topX, expected[1] * topX]]) }));
    if (plot.physics.length) {
      const under = plot.physics.map((band) => [band[0], band[1]]);
      const over = plot.physics.map((band) => [band[0], band[2]]).reverse();
      svg.append(draw("polygon", { class: "physics", points: path([[0, 0], ...under, ...over]) }));
    }
    svg.append(draw("polyline", { class: "rule", points: path([[0, 0], [topX, topX]]) }));
    svg.append(draw("polyline", { class: "own", points: path([[0, 0], ...points]) }));
    for (const point of points) svg.append(draw("circle", { class: "own", cx: x(point[0]), cy: y(point[1]), r: 3.6 }));
    const scale = data.scales[units()].boost;
    const factor = scale.factor * SEA_LEVEL_KPA;
    const boosts = marks(0, topX * factor, 4);
    for (const boost of boosts)
      svg.append(draw("text", { class: "x", x: x(boost / factor), y: 156 }, boost + (boost === boosts[boosts.length - 1] ? THIN + scale.unit : "")));
    return svg;
  }
  function legendOf(plot) {
    const line = make("p", null, "legend");
    line.append(make("span", "its runs", "own"), make("span", "the rule", "rule"));
    if (data.expected) line.append(make("span", "range for a new build", "new"));
    if (plot.physics.length) line.append(make("span", "physics", "physics"));
    return line;
  }

  function tableOf(panel) {
    const scales = data.scales[units()];
    const heads = [["Run", ""], ["Boost, " + scales.boost.unit, "n"], ["Power, " + scales.power.unit, "n"], ["States", ""], ["Place", ""]];
    const table = make("table", null, "set");
    const top = make("tr");
    for (const [words, className] of heads) {
      const cell = make("th", words, className);
      cell.scope = "col";
      top.append(cell);
    }
    const head = make("thead");
    head.append(top);
    const body = make("tbody");
    for (const [role, boost, power, own, place] of panel.runs) {
      const row = make("tr");
      const first = make("th", role);
      first.scope = "row";
      row.append(first, make("td", show(boost, "boost"), "n"), make("td", show(power, "power"), "n"), make("td", local(own)), make("td", place));
      body.append(row);
    }
    table.append(head, body);
    const scroll = make("div", null, "scroll");
    scroll.tabIndex = 0;
    scroll.setAttribute("role", "region");
    scroll.setAttribute("aria-label", "Runs of this build");
    scroll.append(table);
    return scroll;
  }
  function fill(details) {
    const panel = data.panels[details.id];
    const body = details.querySelector(".body");
    const name = details.querySelector(".who b").textContent;
    const two = make("div", null, "two");
    for (const plot of panel.plots) if (plot.points.length) two.append(part("Its runs against the rule", plotOf(plot, name), legendOf(plot)));
    const words = make("div");
    if (panel.study.length) words.append(part("What the study makes of it", listOf(panel.study)));
    else words.append(part("What the study makes of it", make("p", panel.countedAs ? "Not counted: the same test is printed elsewhere." : "Nothing: its runs cannot be compared with a run without boost.", "small")));
    if (panel.countedAs && document.getElementById(panel.countedAs)) {
      const link = make("a", "The build it is counted as");
      link.href = "#" + panel.countedAs;
      words.lastChild.append(link);
    }
    if (panel.fields.length) words.append(part("Its record", listOf(panel.fields)));
    two.append(words);
    const inside = [two, make("h3", "Its runs"), tableOf(panel)];
    if (panel.moreRuns) inside.push(make("p", panel.moreRuns + " more runs in the store.", "small"));
    if (panel.flags.length) {
      const list = make("ul");
      for (const flag of panel.flags) list.append(make("li", local(flag)));
      inside.push(make("h3", "Flags"), list);
      if (panel.moreFlags) inside.push(make("p", panel.moreFlags + " more.", "small"));
    }
    if (data.invented) inside.push(make("p", "Invented demo data.", "small"));
    body.replaceChildren(...inside);
    details.dataset.units = units();
  }
  const panels = [...document.querySelectorAll("details.panel")];
  for (const details of panels)
    details.addEventListener("toggle", () => {
      if (details.open && details.dataset.units !== units()) fill(details);
    });
  for (const radio of document.querySelectorAll("input[name=units]"))
    radio.addEventListener("change", () => panels.filter((one) => one.open).forEach(fill));

  // ---- an address or a link to a build opens it ----
  function openAt(anchor) {
    const target = anchor && document.getElementById(anchor);
    if (!target || !target.classList.contains("panel")) return;
    if (box.value) {
      box.value = "";
      find();
    }
    fill(target);
    target.open = true;
    target.querySelector("summary").focus({ preventScroll: true });
    target.scrollIntoView();
  }
  const inAddress = () => location.hash.replace(/^#/, "").split("&").find((piece) => piece && !piece.includes("="));
  document.addEventListener("click", (event) => {
    const link = event.target.closest('a[href^="#"]');
    if (link) openAt(link.getAttribute("href").slice(1));
  });
  window.addEventListener("hashchange", () => openAt(inAddress()));

  // ---- find ----
  const box = document.getElementById("find");
  const fold = (text) => text.normalize("NFD").replace(/[\u0300-\u036f]/g, "").toLowerCase();
  const sections = [...document.querySelectorAll("section.source")];
  const hay = new Map(panels.map((one) => [one, fold(one.querySelector(".who").textContent + " " + one.closest("section").querySelector("h2").textContent + " " + one.closest("section").querySelector(".terms").textContent)]));
  function find() {
    const words = fold(box.value).split(/\s+/).filter(Boolean);
    let count = 0;
    for (const one of panels) {
      const hit = words.every((word) => hay.get(one).includes(word));
      one.hidden = !hit;
      count += hit ? 1 : 0;
    }
    for (const section of sections) section.hidden = !section.querySelector("details.panel:not([hidden])");
    document.getElementById("found-status").textContent = words.length ? (count ? count + " of " + panels.length + " builds" : "Nothing by that name.") : "";
  }
  box.addEventListener("input", find);
  openAt(inAddress());
})();
