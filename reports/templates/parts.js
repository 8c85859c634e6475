"use strict";
(function () {
  const calc = JSON.parse(document.getElementById("data").textContent).calculator;
  const byId = (id) => document.getElementById(id);
  if (!calc || !byId("calculator")) return;
  const root = document.documentElement;
  const THIN = "\u202f";
  const SVG = "http://www.w3.org/2000/svg";
  // What the reader sets, in the reader's units, as it is shown: the answer is that of what can be read.
  const state = { na: 400, gain: 40, boost: 8 };
  let units = calc.units.us;
  let code = "us";
  // Steps and decimals of what is set.
  const inputDigits = () => ({ na: 0, gain: 0, boost: code === "us" ? 1 : 0 });

  // ---- the formula: the same steps, in the same order, as the command ----
  function curveFor(induction, cooling) {
    const has = (i, c) => calc.curves.find((curve) => curve.induction === i && curve.cooling === c);
    return has(induction, cooling) || has(induction, null) || has(null, cooling) || has(null, null);
  }
  function extraRatio(share, slope, curvature, x) {
    const a = slope + curvature * (2 * x - calc.reference);
    const inside = a * a + 4 * curvature * share;
    if (inside < 0) return Infinity;
    const below = a + Math.sqrt(inside);
    return below > 0 ? (2 * share) / below : Infinity;
  }
  function offsetOf(share, growth, slope, curvature, x) {
    let wanted = share;
    if (x) {
      const multiple = Math.max(1 + slope * x + curvature * x * (x - calc.reference), calc.leastMultiple);
      wanted = growth === 1 ? share * multiple : share * Math.pow(multiple, growth);
    }
    return extraRatio(wanted, slope, curvature, x);
  }
  function quantile(ordered, probability) {
    const n = ordered.length;
    const place = Math.min(Math.max(probability * n - 0.5, 0), n - 1);
    const k = Math.floor(place);
    if (place === k) return ordered[k];
    return ordered[k + 1] < Infinity ? ordered[k] + (place - k) * (ordered[k + 1] - ordered[k]) : Infinity;
  }
  // How the gain grows is asked only where boost runs or a kind of part of the study is meant; so does the command.
  const FULL = { value: 1, sd: 0 };
  const growthNow = () => (state.boost > 0 || part() ? calc.growth : FULL);
  function drawn(curve, gain, growing, x) {
    const [z1, z2, z3, z4] = calc.draws;
    const full = growing.value === 1 && growing.sd === 0;
    const offsets = new Float64Array(z1.length);
    for (let k = 0; k < z1.length; k += 1) {
      const slope = curve.slope + curve.l11 * z2[k];
      const curvature = curve.curvature + curve.l21 * z2[k] + curve.l22 * z3[k];
      const growth = full ? 1 : growing.value + growing.sd * z4[k];
      offsets[k] = offsetOf(gain.share + gain.sd * z1[k], growth, slope, curvature, x);
    }
    return offsets.sort();
  }
  // Without curvature and with full multiplication the ends are those of a ratio (Fieller).
  function ratioEnds(curve, gain, boost) {
    if (curve.slope <= 0) return [null, null];
    const absolute = calc.ambient + curve.slope * boost;
    const along = gain.share * boost;
    const varSlope = curve.l11 * curve.l11;
    const numerator = gain.share * absolute;
    const varNumerator = absolute * gain.sd * (absolute * gain.sd) + along * along * varSlope;
    const t2 = calc.t * calc.t;
    const a = curve.slope * curve.slope - t2 * varSlope;
    const b = numerator * curve.slope - t2 * (along * varSlope);
    const c = numerator * numerator - t2 * varNumerator;
    if (a <= 0) return [null, null];
    const root = Math.sqrt(Math.max(b * b - a * c, 0));
    return [(b - root) / a, (b + root) / a];
  }
  function offset(curve, gain, boost) {
    const x = boost / calc.ambient;
    const growing = growthNow();
    const best = offsetOf(gain.share, growing.value, curve.slope, curve.curvature, x);
    const value = best < Infinity ? best * calc.ambient : null;
    if (calc.t === null || curve.freedom === 0) return { value, low: null, high: null, noRange: true };
    if (!curve.isCurved && growing.value === 1 && growing.sd === 0) {
      const [low, high] = ratioEnds(curve, gain, boost);
      return { value, low, high };
    }
    const tail = (1 - calc.level) / 2;
    const ordered = drawn(curve, gain, growing, x);
    const [low, high] = [quantile(ordered, tail), quantile(ordered, 1 - tail)].map((end) => (end < Infinity ? end * calc.ambient : null));
    return { value, low, high };
  }

  // ---- numbers ----
  function write(value, digits) {
    const text = Math.abs(value).toFixed(digits);
    return (value < 0 && Number(text) !== 0 ? "\u2212" : "") + text;
  }
  const boostText = (kpa) => write(kpa * units.perKpa, units.boostDigits);
  const withUnit = (text, unit) => text + THIN + unit;
  function rangeText(found) {
    if (found.noRange) return "no range: one publisher";
    if (found.low === null && found.high === null) return "not bounded by these data";
    if (found.high === null) return withUnit(boostText(found.low) + " and up, not bounded", units.boost);
    if (found.low === null) return withUnit("up to " + boostText(found.high) + ", not bounded below", units.boost);
    return withUnit(boostText(found.low) + " to " + boostText(found.high), units.boost);
  }
  const bestText = (found) => (found.value === null ? "no boost gives the same power on this curve" : "best single figure " + withUnit(boostText(found.value), units.boost));

  // ---- ends of the sliders: what was observed ----
  function chosen(name) {
    return byId("c-" + name).value || null;
  }
  function endsNow() {
    const key = ["induction", "cooling", "fuel"].map((name) => chosen(name) || "").join("|");
    const kind = calc.ends[key];
    if (!kind) return null;
    const step = Math.pow(10, inputDigits().boost);
    return {
      kind,
      na: [Math.ceil(kind.low / units.kw - 1e-9), Math.floor(kind.high / units.kw + 1e-9)],
      boost: [0, Math.floor((kind.boost * units.perKpa + 1e-9) * step) / step],
    };
  }
  function held(value, [low, high], digits) {
    return Math.min(Math.max(Number(value.toFixed(digits)), low), Math.max(low, high));
  }
  function part() {
    return calc.parts.find((one) => one.part === chosen("part")) || null;
  }
  function gainEnds() {
    return [1, Math.max(1, Math.floor(calc.largestShare * state.na))];
  }

  // ---- show ----
  function setControl(name, ends, isFixed) {
    const digits = inputDigits()[name];
    const [slider, entry] = [byId("c-" + name), byId("c-" + name + "-typed")];
    for (const input of [slider, entry]) {
      input.min = ends[0];
      input.max = ends[1];
      input.step = input === entry && digits === 0 ? 1 : Math.pow(10, -digits);
      input.disabled = isFixed || ends[1] <= ends[0];
      if (document.activeElement !== entry || input !== entry) input.value = state[name].toFixed(digits);
    }
    const unit = name === "boost" ? units.boost : units.power;
    slider.setAttribute("aria-valuetext", state[name].toFixed(digits) + " " + unit);
    byId("c-" + name + "-unit").textContent = unit;
    byId("c-" + name + "-ends").textContent = ends[0].toFixed(digits) + " to " + withUnit(ends[1].toFixed(digits), unit);
  }
  function row(name, large, small) {
    byId("r-" + name).textContent = large;
    byId("r-" + name + "-small").textContent = small;
  }
  function mark(tag, attributes, parent, text) {
    const element = document.createElementNS(SVG, tag);
    for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
    if (text !== undefined) element.textContent = text;
    parent.append(element);
    return element;
  }
  function picture(simple, lines) {
    const svg = byId("r-picture");
    svg.replaceChildren();
    const ends = lines.flatMap((line) => [line.high === null ? (line.value || 0) * 1.8 : line.high, line.value || 0, line.low || 0]);
    const top = Math.max(simple, ...ends) * units.perKpa * 1.08 || 1;
    const low = Math.min(0, ...lines.map((line) => (line.low || 0) * units.perKpa));
    const at = (kpa) => 8 + ((kpa * units.perKpa - low) / (top - low)) * 324;
    const foot = 24 + lines.length * 34;
    svg.setAttribute("viewBox", "0 0 340 " + (foot + 22));
    const raw = (top - low) / 5;
    const size = Math.pow(10, Math.floor(Math.log10(raw)));
    const step = [1, 2, 5, 10].map((m) => m * size).find((s) => s >= raw);
    for (let tick = Math.ceil(low / step) * step; tick <= top; tick += step) {
      const place = at(tick / units.perKpa);
      mark("line", { class: "grid", x1: place, x2: place, y1: 14, y2: foot }, svg);
      mark("text", { class: "tick", x: place, y: foot + 15 }, svg, write(tick, step < 1 ? 1 : 0));
    }
    lines.forEach((line, k) => {
      const y = 36 + k * 34;
      const [from, to] = [line.low === null ? at(low / units.perKpa) : at(line.low), line.high === null ? 338 : at(line.high)];
      if (!line.noRange) mark("rect", { class: "range", x: from, y: y - 7, width: Math.max(to - from, 1), height: 14 }, svg);
      if (line.value !== null) mark("circle", { class: "best", cx: at(line.value), cy: y, r: 5 }, svg);
      mark("text", { class: "name", x: at(low / units.perKpa) + 2, y: y - 11 }, svg, line.name);
    });
    const place = at(simple);
    mark("line", { class: "simple", x1: place, x2: place, y1: 12, y2: foot }, svg);
    const toRight = place < 240;
    mark("text", { class: "name", x: place + (toRight ? 4 : -4), y: 10, "text-anchor": toRight ? "start" : "end" }, svg, "simple figure");
  }
  function kindText(curve, kind) {
    const asked = curve.induction === chosen("induction") && curve.cooling === chosen("cooling");
    const which = curve.ofKind === curve.builds ? "all " + curve.builds + " builds" : curve.ofKind + " builds of this kind, among " + curve.builds;
    const nearest = asked ? "" : "; too few builds of this kind have a curve of their own, so the nearest wider kind was taken";
    return "The curve rests on " + which + " of " + curve.publishers + " publishers" + nearest + ". " + kind.builds + (kind.builds === 1 ? " build has" : " builds have") + " this induction, cooling and fuel.";
  }
  function commandText() {
    const digits = inputDigits();
    const words = ["poundworth offset", "--na " + state.na.toFixed(digits.na) + units.power];
    words.push(part() ? '--part "' + part().part + '"' : "--gain " + state.gain.toFixed(digits.gain) + units.power);
    if (state.boost > 0) words.push("--boost " + Number(state.boost.toFixed(digits.boost)) + units.boost);
    for (const name of ["induction", "cooling", "fuel"]) if (chosen(name)) words.push("--" + name + ' "' + chosen(name).replace(/_/g, " ") + '"');
    if (code === "si") words.push("--units si");
    return words;
  }
  // Lines break between options, never inside one.
  function showCommand() {
    const line = byId("r-command");
    line.replaceChildren();
    commandText().forEach((word, k) => {
      const piece = document.createElement("span");
      piece.textContent = word;
      line.append(k ? " " : "", piece);
    });
  }
  function show() {
    const ends = endsNow();
    byId("r-none").hidden = Boolean(ends);
    byId("r-some").hidden = !ends;
    if (!ends) return;
    const digits = inputDigits();
    state.na = held(state.na, ends.na, digits.na);
    const fixed = part();
    if (fixed) state.gain = fixed.share * state.na;
    else state.gain = held(state.gain, gainEnds(), digits.gain);
    state.boost = held(state.boost, ends.boost, digits.boost);
    setControl("na", ends.na, false);
    setControl("gain", gainEnds(), Boolean(fixed));
    setControl("boost", ends.boost, false);
    byId("c-boost-none").hidden = ends.boost[1] > 0;

    const naKw = state.na * units.kw;
    const boost = state.boost * units.kpa;
    const gain = fixed ? { share: fixed.share, sd: fixed.sd } : { share: (state.gain * units.kw) / naKw, sd: 0 };
    const curve = curveFor(chosen("induction"), chosen("cooling"));
    const simple = gain.share * calc.tradeAtmosphere;
    const still = offset(curve, gain, 0);
    const running = state.boost > 0 ? offset(curve, gain, boost) : null;
    row("simple", withUnit(boostText(simple), units.boost), "the gain over (output / " + withUnit(boostText(calc.tradeAtmosphere).replace(/(\.\d)0$/, "$1"), units.boost) + "), whatever boost is running");
    row("still", rangeText(still), bestText(still));
    byId("r-running-line").hidden = !running;
    const shown = withUnit(state.boost.toFixed(digits.boost), units.boost);
    if (running) {
      byId("r-running-name").textContent = "On top of " + shown;
      row("running", rangeText(running), bestText(running));
    }
    const most = boost + Math.max(still.value || 0, running ? running.value || 0 : 0);
    const beyond = byId("r-beyond");
    beyond.hidden = most <= ends.kind.boost + 1e-9;
    beyond.textContent =
      "In all that is " + withUnit(boostText(most), units.boost) + ", above the " + withUnit(ends.boost[1].toFixed(digits.boost), units.boost) + " that three builds of this class ran. It lies beyond the evidence and is not proposed here.";
    picture(simple, [{ ...still, name: "from no boost" }, ...(running ? [{ ...running, name: "on top of " + shown }] : [])]);
    byId("r-curve").textContent = kindText(curve, ends.kind);
    showCommand();
  }

  // ---- listen ----
  function listen() {
    for (const name of ["na", "gain", "boost"]) {
      const [slider, entry] = [byId("c-" + name), byId("c-" + name + "-typed")];
      slider.addEventListener("input", () => {
        state[name] = Number(slider.value);
        show();
      });
      const typed = (isDone) => {
        const value = Number(entry.value.replace(",", "."));
        const known = entry.value.trim() !== "" && Number.isFinite(value);
        const inside = known && value >= Number(entry.min) && value <= Number(entry.max);
        byId("c-" + name + "-ends").classList.toggle("outside", known && !inside && !isDone);
        if (known && (inside || isDone)) state[name] = value;
        if (isDone) entry.value = "";
        if (inside || isDone) show();
        if (isDone) entry.value = state[name].toFixed(inputDigits()[name]);
      };
      entry.addEventListener("input", () => typed(false));
      entry.addEventListener("change", () => typed(true));
    }
    for (const name of ["induction", "cooling", "fuel", "part"])
      byId("c-" + name).addEventListener("change", () => {
        state.gain = Math.max(1, Math.round(state.gain));
        show();
      });
  }
  function setUnits() {
    const next = root.dataset.units === "si" ? "si" : "us";
    if (next === code) return;
    const before = units;
    units = calc.units[next];
    code = next;
    const digits = inputDigits();
    state.na = Number(((state.na * before.kw) / units.kw).toFixed(digits.na));
    state.gain = Number(((state.gain * before.kw) / units.kw).toFixed(digits.gain));
    state.boost = Number(((state.boost * before.kpa) / units.kpa).toFixed(digits.boost));
    show();
  }
  listen();
  setUnits();
  show();
  new MutationObserver(setUnits).observe(root, { attributes: true, attributeFilter: ["data-units"] });
  root.dataset.calculator = "1";
})();
