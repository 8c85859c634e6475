"use strict";
(function () {
  const calc = JSON.parse(document.getElementById("data").textContent).engine;
  const byId = (id) => document.getElementById(id);
  if (!calc || !byId("calculator")) return;
  const root = document.documentElement;
  const THIN = "\u202f";
  const SVG = "http://www.w3.org/2000/svg";
  const { model } = calc;
  const { CODES, curveOf, powerAt, marginalAt, physicsOf, rulePower, spans, highestRatio, outsideOf, wideningOf, similarBuilds } = window.engineModel(calc);
  let units = calc.units.us;
  let code = "us";

  // ---- numbers: halves to even, as the command prints them ----
  function fixed(value, digits) {
    let text = Math.abs(value).toFixed(digits);
    const doubled = Math.abs(value) * Math.pow(2, digits + 1);
    // Exactly between two last digits only where so many doublings give an odd whole number.
    if (Number.isInteger(doubled) && doubled % 2 === 1 && Number(text[text.length - 1]) % 2 === 1) {
      const down = Math.floor(Math.abs(value) * Math.pow(10, digits)) / Math.pow(10, digits);
      text = down.toFixed(digits);
    }
    return (value < 0 && Number(text) !== 0 ? "-" : "") + text;
  }
  function write(value, digits) {
    const [whole, part] = fixed(value, digits).replace("-", "\u2212").split(".");
    const bare = whole.replace("\u2212", "");
    const grouped = bare.length > 4 ? bare.replace(/\B(?=(\d{3})+$)/g, THIN) : bare;
    return (whole[0] === "\u2212" ? "\u2212" : "") + grouped + (part ? "." + part : "");
  }
  const withUnit = (text, unit) => (unit ? text + THIN + unit : text);
  const powerText = (kw) => write(kw * units.perKw, units.digits.power);
  const boostText = (kpa) => write(kpa * units.perKpa, units.digits.boost);
  const yieldText = (each) => write(each * units.perYield, units.digits.yield);
  const each = (of, by) => Object.fromEntries(Object.entries(of).map(([name, kw]) => [name, kw === null ? null : by(kw)]));
  const power = (kw) => withUnit(powerText(kw), units.power);
  const boost = (kpa) => withUnit(boostText(kpa), units.boost);
  function between(low, high, text, unit) {
    return low === null || high === null ? "not given" : withUnit(text(low) + " to " + text(high), unit);
  }
  // Sentences round in SI first and then change units, as those of the command do.
  function kwIn(kw) {
    const inSi = fixed(kw, 0);
    return code === "si" ? inSi + " kW" : write(Number(inSi) * units.perKw, 0) + " hp";
  }
  function kpaIn(kpa, digits) {
    const inSi = fixed(kpa, digits);
    return code === "si" ? inSi + " kPa" : write(Number(inSi) * units.perKpa, 1) + " psi";
  }

  // ---- what lies outside the evidence, in words ----
  function sayOutside(one) {
    const wider = one.widens > 1 ? " The ranges are " + one.widens + " times as wide for it." : "";
    if (one.limit === null) {
      const what = one.name === "class" ? "the pair of induction and cooling" : one.name.replace(/_/g, " ");
      return "No build in the study has " + what + " " + one.yours.replace(/_/g, " ") + ": the estimate is that of other kinds." + wider;
    }
    const [more, above] = one.isAbove ? ["more", "above"] : ["less", "below"];
    const said = {
      na_power: (v) => ["made " + more + " than " + kwIn(one.limit) + " without boost", "this one makes " + v(kwIn)],
      boost: (v) => ["of its kind was tested " + above + " " + kpaIn(one.limit, 1) + " boost in such air", v((y) => kpaIn(y, 1)) + " is asked about"],
      specific_output: (v) => ["made " + more + " than " + kwIn(one.limit) + " a litre", "this one makes " + v(kwIn) + " a litre"],
      displacement: (v) => ["has " + more + " than " + fixed(one.limit, 0) + " cc", "this one has " + v((y) => fixed(y, 0)) + " cc"],
      compression_ratio: (v) => ["has a compression ratio " + above + " " + fixed(one.limit, 1), "this one has " + v((y) => fixed(y, 1))],
      ambient: (v) => ["was tested in air " + above + " " + kpaIn(one.limit, 1), "this one runs in " + v((y) => kpaIn(y, 1))],
      octane_ron: (v) => ["ran on fuel " + above + " " + fixed(one.limit, 0) + " RON", "this one runs on " + v((y) => fixed(y, 0)) + " RON"],
      octane_aki: (v) => ["ran on fuel " + above + " " + fixed(one.limit, 0) + " AKI", "this one runs on " + v((y) => fixed(y, 0)) + " AKI"],
    }[one.name]((text) => text(one.yours));
    return "No build in the study " + said[0] + "; " + said[1] + "." + wider;
  }

  const NUMBERS = {
    boost_kpa: [(v) => kpaIn(v, 1), "more boost", "less boost"],
    na_power_kw: [kwIn, "more without boost", "less without boost"],
    displacement_cc: [(v) => fixed(v, 0) + " cc", "larger", "smaller"],
    compression_ratio: [(v) => fixed(v, 1), "higher compression ratio", "lower compression ratio"],
    octane_ron: [(v) => fixed(v, 0) + " RON", "higher octane", "lower octane"],
    octane_aki: [(v) => fixed(v, 0) + " AKI", "higher octane", "lower octane"],
    ambient_kpa: [(v) => kpaIn(v, 0), "denser air", "thinner air"],
  };
  function sayDifferences(request, one) {
    const found = [];
    for (const [name, [figure, more, less]] of Object.entries(NUMBERS)) {
      const mine = request[name];
      const theirs = name === "boost_kpa" ? one.build.boosts_kpa[one.run] : one.build[name];
      if (mine === null) continue;
      const weight = theirs === null ? 0 : Math.abs(Math.log(theirs / mine));
      if (theirs === null) found.push([0, name.replace(/_(kw|kpa|cc)$/, "").replace(/_/g, " ") + " not stated"]);
      else if (weight >= calc.leastDifference) found.push([weight, (theirs > mine ? more : less) + " (" + figure(theirs) + ")"]);
    }
    for (const name of CODES) {
      const [mine, theirs] = [request[name], one.build[name]];
      if (mine === null || mine === theirs) continue;
      const plain = name.replace(/_/g, " ");
      found.push(theirs === null ? [0, plain + " not stated"] : [0.4, (plain + " " + theirs + " instead of " + mine).replace(/_/g, " ")]);
    }
    found.sort((a, b) => b[0] - a[0]);
    return found.map((pair) => pair[1]).join("; ") || "agrees in all that is known";
  }

  // ---- what the reader sets: numbers as they can be read, in the reader's units ----
  const LABELS = {
    na: "Output without boost", boost: "Boost", displacement: "Displacement", cr: "Compression ratio", aki: "Octane, AKI",
    ron: "Octane, RON", altitude: "Altitude of the dyno", rating: "Compressor rating",
  };
  const NAMES = Object.keys(LABELS);
  const SELECTS = { induction: "induction", cooling: "charge_cooling", fuel: "fuel", at: "measured_at", hardware: "baseline_hardware" };
  const POSSIBLE = { na: "na_power_kw", boost: "boost_kpa", displacement: "displacement_cc", cr: "compression_ratio", aki: "octane_aki", ron: "octane_ron", rating: "compressor_rating_kw" };
  const KINDS = { na: "power", rating: "power", boost: "boost", altitude: "length", displacement: "litre", cr: "plain", aki: "plain", ron: "plain" };
  const state = { numbers: {}, codes: {}, catalogue: false, is: "", bad: {}, picked: null };
  const unitOf = (name, of) => ({ power: of.power, boost: of.boost, length: of.length, litre: "L", plain: "" })[KINDS[name]];
  const toSi = (name, of) => ({ power: of.kw, boost: of.kpa, length: of.metres, litre: of.litre, plain: 1 })[KINDS[name]];
  const digitsOf = (name, of) => ({ power: 0, boost: of.digits.boost, length: 0, litre: 2, plain: 1 })[KINDS[name]];
  const shortened = (text) => (text.length > 40 ? text.slice(0, 39) + "\u2026" : text);

  function clear() {
    for (const name of NAMES) state.numbers[name] = null;
    for (const name of Object.keys(SELECTS)) state.codes[name] = null;
    Object.assign(state, { catalogue: false, is: "", bad: {} });
  }
  function example() {
    clear();
    state.numbers.na = Number(((calc.example.na * calc.units.us.kw) / units.kw).toFixed(0));
    state.numbers.boost = Number(((calc.example.boost * calc.units.us.kpa) / units.kpa).toFixed(units.digits.boost));
    state.codes.induction = calc.example.induction;
    state.codes.cooling = calc.example.charge_cooling;
    const most = boostEnds(requestNow().request)[1];
    if (state.numbers.boost > most) state.numbers.boost = most;
  }
  // Pressure of the standard atmosphere (U.S. Standard Atmosphere 1976).
  const pressureAt = (metres) => 101.325 * Math.pow(1 - (0.0065 * metres) / 288.15, (9.80665 * 0.0289644) / (8.31432 * 0.0065));
  function requestNow() {
    const si = (name) => (state.numbers[name] === null ? null : state.numbers[name] * toSi(name, units));
    const metres = si("altitude");
    const ambient = metres === null || metres < -500 || metres > 6000 ? calc.seaLevel : pressureAt(metres);
    const air = model.standard_air;
    const correction = (air.multiplier * air.reference_dry_kpa) / (ambient - air.vapour_kpa) - (air.multiplier - 1);
    const factor = state.is === "observed" ? correction : 1;
    const na = si("na");
    const request = {
      na_power_kw: na === null ? null : na * factor, boost_kpa: si("boost"), ambient_kpa: ambient, displacement_cc: si("displacement"),
      compression_ratio: si("cr"), octane_aki: si("aki"), octane_ron: si("ron"), compressor_rating_kw: si("rating"),
      is_catalogue_figure: state.catalogue,
    };
    for (const [name, field] of Object.entries(SELECTS)) request[field] = state.codes[name];
    return { request, factor, correction, metres };
  }
  // Ends of the boost slider, inside what was tested, in the reader's units.
  function boostEnds(request) {
    const step = Math.pow(10, units.digits.boost);
    const [low, high] = [spans.boost_ratio ? spans.boost_ratio.low : 0, highestRatio(request)].map((ratio) => ratio * request.ambient_kpa * units.perKpa);
    const top = Math.floor(high * step + 1e-9) / step;
    return [Math.min(Math.ceil(low * step - 1e-9) / step, top), top];
  }
  function naEnds() {
    if (!spans.na_power_kw) return [1, 1000];
    return [Math.ceil(spans.na_power_kw.low * units.perKw - 1e-9), Math.floor(spans.na_power_kw.high * units.perKw + 1e-9)];
  }
  // Why no figure can be given; empty where it can.
  function problemsOf({ request, correction, metres }) {
    const found = Object.values(state.bad);
    for (const name of ["na", "boost"])
      if (state.numbers[name] === null && !state.bad[name]) found.push(LABELS[name] + " is missing. Give it in " + unitOf(name, units) + ".");
    for (const [name, field] of Object.entries(POSSIBLE)) {
      const value = name === "na" ? request.na_power_kw : request[field];
      if (value === null || state.bad[name]) continue;
      const [low, high] = calc.possible[field];
      if (value >= low && value <= high) continue;
      const end = (si) => write(si / toSi(name, units), si / toSi(name, units) < 10 ? 1 : 0);
      found.push(LABELS[name] + " is given as " + withUnit(String(state.numbers[name]), unitOf(name, units)) + "; what an engine can have is " + withUnit(end(low) + " to " + end(high), unitOf(name, units)) + ". Check the figure and its unit.");
    }
    if (metres !== null && (metres < -500 || metres > 6000))
      found.push("The altitude is given as " + withUnit(String(state.numbers.altitude), units.length) + "; dynos stand between \u2212500 and 6000" + THIN + "m. Check the figure and its unit.");
    else if (metres !== null && Math.abs(correction - 1) >= 0.01 && !state.is)
      found.push("At this altitude power as read and power corrected to standard air differ by " + fixed(100 * Math.abs(correction - 1), 0) + THIN + "%. Say below which of the two the output without boost is.");
    return found;
  }
  const isBeyond = (request) => request.boost_kpa > highestRatio(request) * request.ambient_kpa * (1 + 1e-9);

  // ---- the address: #na=340hp&boost=9psi&induction=turbocharger ----
  const KEYS = [...NAMES, ...Object.keys(SELECTS), "catalogue", "is"];
  const SHARED = /^(units|theme|build)=/;
  const pieces = () => location.hash.replace(/^#/, "").split("&");
  function readNumber(key, text) {
    const found = /^(-?\d{1,9}(?:\.\d{1,9})?)([A-Za-z]*)$/.exec(text);
    const of = found && [units, calc.units.us, calc.units.si].find((one) => unitOf(key, one) === found[2]);
    if (!of) return null;
    const value = Number(found[1]);
    return of === units ? value : Number(((value * toSi(key, of)) / toSi(key, units)).toFixed(digitsOf(key, units)));
  }
  function readPiece(key, text) {
    if (NAMES.includes(key)) {
      const value = readNumber(key, text);
      const [us, si] = [unitOf(key, calc.units.us), unitOf(key, calc.units.si)];
      if (value === null) return "a number" + (us ? " with its unit, " + us + (us === si ? "" : " or " + si) : "");
      state.numbers[key] = value;
    } else if (SELECTS[key]) {
      const allowed = calc.allowed[SELECTS[key]];
      if (!allowed.includes(text)) return allowed.join(", ");
      state.codes[key] = text;
    } else if (key === "catalogue") {
      if (text !== "1") return "1, or is left out";
      state.catalogue = true;
    } else {
      if (text !== "observed" && text !== "corrected") return "observed or corrected";
      state.is = text;
    }
    return "";
  }
  function readAddress() {
    const own = pieces().filter((piece) => piece.includes("=") && !SHARED.test(piece));
    if (!own.length) return example();
    clear();
    const seen = new Set();
    own.forEach((piece, k) => {
      const key = piece.slice(0, piece.indexOf("="));
      let text = piece.slice(key.length + 1);
      try {
        text = decodeURIComponent(text);
      } catch (_) {
        // A piece that is no text at all is shown as it stands.
      }
      const told = "The link says " + shortened(key) + "=" + shortened(text);
      if (!KEYS.includes(key)) state.bad["link " + k] = told + ", which this page does not ask. It asks " + KEYS.join(", ") + ". Change any field to go on without it.";
      else if (seen.has(key)) state.bad[key] = "The link says " + key + " twice. Leave one of the two, or set the field again.";
      else {
        const allowed = readPiece(key, text);
        if (allowed) state.bad[key] = told + "; it takes " + allowed + ". Correct the link, or set the field again.";
      }
      seen.add(key);
    });
  }
  function writeAddress() {
    const kept = pieces().filter((piece) => piece && (!piece.includes("=") || SHARED.test(piece)));
    const own = [];
    for (const name of NAMES) if (state.numbers[name] !== null) own.push(name + "=" + state.numbers[name] + unitOf(name, units));
    for (const name of Object.keys(SELECTS)) if (state.codes[name]) own.push(name + "=" + state.codes[name]);
    if (state.catalogue) own.push("catalogue=1");
    if (state.is) own.push("is=" + state.is);
    history.replaceState(null, "", "#" + [...kept, ...own].join("&"));
  }
  function commandWords() {
    const options = { na: "na", boost: "boost", displacement: "displacement", cr: "compression-ratio", aki: "octane-aki", ron: "octane-ron", altitude: "altitude", rating: "compressor-rating" };
    const words = ["poundworth estimate"];
    for (const name of NAMES) if (state.numbers[name] !== null) words.push("--" + options[name] + " " + state.numbers[name] + unitOf(name, units));
    const flags = { induction: "induction", cooling: "cooling", fuel: "fuel", at: "measured-at", hardware: "baseline-hardware" };
    for (const [name, flag] of Object.entries(flags)) if (state.codes[name]) words.push("--" + flag + ' "' + state.codes[name].replace(/_/g, " ") + '"');
    if (state.is) words.push("--na-is " + state.is);
    if (state.catalogue) words.push("--catalogue");
    if (code === "si") words.push("--units si");
    return words;
  }

  // ---- show ----
  function make(tag, text, className) {
    const element = document.createElement(tag);
    if (text !== undefined && text !== null) element.textContent = text;
    if (className) element.className = className;
    return element;
  }
  function mark(tag, attributes, parent, text) {
    const element = document.createElementNS(SVG, tag);
    for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
    if (text !== undefined) element.textContent = text;
    parent.append(element);
    return element;
  }
  const put = (id, text) => (byId(id).textContent = text);
  function setControls(request) {
    const ends = { na: naEnds(), boost: boostEnds(request) };
    for (const name of NAMES) {
      const [entry, value] = [byId("e-" + name), state.numbers[name]];
      if (document.activeElement !== entry && !(state.bad[name] && entry.value)) entry.value = value === null ? "" : String(value);
      entry.setAttribute("aria-invalid", String(Boolean(state.bad[name])));
      const unit = byId("e-" + name + "-unit");
      if (unit) unit.textContent = unitOf(name, units);
      if (!ends[name]) continue;
      const slider = byId("e-" + name + "-slider");
      [slider.min, slider.max] = ends[name];
      slider.step = Math.pow(10, -digitsOf(name, units));
      slider.disabled = ends[name][1] <= ends[name][0];
      if (value !== null) slider.value = value;
      slider.setAttribute("aria-valuetext", value + " " + unitOf(name, units));
      const digits = digitsOf(name, units);
      put("e-" + name + "-ends", "tested: " + ends[name][0].toFixed(digits) + " to " + withUnit(ends[name][1].toFixed(digits), unitOf(name, units)) + (name === "boost" ? " in such air" : ""));
    }
    for (const name of Object.keys(SELECTS)) byId("e-" + name).value = state.codes[name] || "";
    byId("e-is").value = state.is;
    byId("e-catalogue").checked = state.catalogue;
  }
  let shown = null;
  function show() {
    const now = requestNow();
    const { request, factor } = now;
    setControls(request);
    const problems = problemsOf(now);
    const limit = boostEnds(request)[1];
    const tooFar = !problems.length && isBeyond(request);
    if (tooFar) problems.push("Boost of " + withUnit(String(state.numbers.boost), units.boost) + " is beyond " + withUnit(limit.toFixed(units.digits.boost), units.boost) + ", the most that builds of this kind were tested at in such air. Nothing beyond it is shown here.");
    byId("r-problem").hidden = !problems.length;
    byId("r-problems").replaceChildren(...problems.map((text) => make("p", text)));
    byId("r-hold").hidden = !tooFar;
    put("r-hold", "Show it at " + withUnit(limit.toFixed(units.digits.boost), units.boost));
    for (const id of ["r-some", "curve", "like", "r-foot"]) byId(id).hidden = problems.length > 0;
    if (problems.length) {
      shown = null;
      return openCard(null);
    }
    const curve = curveOf(request);
    const outside = outsideOf(request);
    const widened = wideningOf(outside);
    const likes = similarBuilds(request);
    shown = { request, factor, curve, outside, widened, likes, power: powerAt(request, curve, widened) };
    showFigures(shown);
    showLikes(shown);
    draw();
    openCard(state.picked);
    // An option breaks between lines only as a whole.
    byId("r-command").replaceChildren(...commandWords().flatMap((word) => [make("span", word), " "]).slice(0, -1));
  }
  function showFigures({ request, factor, curve, outside, widened, likes, power: made }) {
    byId("r-outside").hidden = !outside.length;
    byId("r-outside-list").replaceChildren(...outside.map((one) => make("li", sayOutside(one))));
    const at = withUnit(String(state.numbers.boost), units.boost);
    put("r-power-name", "Expect at " + at);
    put("r-power", between(made.low80, made.high80, powerText, units.power));
    put("r-power-small", "80" + THIN + "% range; 95" + THIN + "%: " + between(made.low95, made.high95, powerText, units.power) + "; best single figure " + power(made.value));
    const isRead = Math.abs(factor - 1) > 1e-12;
    byId("r-read").hidden = !isRead;
    if (isRead) {
      const read = each(made, (kw) => kw / factor);
      put("r-read", "Corrected to standard air. As read there: " + between(read.low80, read.high80, powerText, units.power) + " (80" + THIN + "%), 95" + THIN + "%: " + between(read.low95, read.high95, powerText, units.power) + "; best single figure " + power(read.value) + ".");
    }
    const would = likes.map((one) => one.wouldMake);
    byId("r-like-line").hidden = !likes.length;
    put("r-like", likes.length === 1 ? power(would[0]) : between(Math.min(...would), Math.max(...would), powerText, units.power));
    put("r-like-small", likes.length === 1 ? "if yours took boost as the one build like it did" : "if yours took boost as the " + likes.length + " most similar builds did, each in turn");
    const toYield = request.ambient_kpa / calc.seaLevel / request.boost_kpa;
    const yields = each(made, (kw) => (kw - request.na_power_kw) * toYield);
    const next = marginalAt(request, curve, widened);
    const perUnit = units.power + "/" + units.boost;
    for (const [name, words, of] of [["yield", "Each " + units.boost + " so far", yields], ["next", "The next " + units.boost, next]]) {
      put("r-" + name + "-name", words);
      put("r-" + name, between(of.low80, of.high80, yieldText, perUnit));
      put("r-" + name + "-small", "95" + THIN + "%: " + between(of.low95, of.high95, yieldText, "") + "; best single figure " + yieldText(of.value));
    }
    const [low, high] = physicsOf(request);
    put("r-rule", power(rulePower(request)));
    put("r-physics", between(low, high, powerText, units.power));
    const rating = request.compressor_rating_kw;
    byId("r-rating").hidden = rating === null;
    if (rating !== null) put("r-rating", "The 80" + THIN + "% range " + ((made.high80 || made.value) > rating ? "reaches beyond" : "stays within") + " the compressor\u2019s rating of " + power(rating) + ". " + byId("r-rating").dataset.caution);
  }
  const lookOf = (build) => {
    const k = ["turbocharger", "centrifugal", "positive_displacement"].indexOf(build.induction);
    return "c" + (k < 0 ? 3 : k) + (build.charge_cooling === "none" ? " open" : "");
  };
  const madeText = (one) => powerText(one.build.na_power_kw) + " to " + power(one.build.na_power_kw * (1 + one.build.gain_ratios[one.run])) + " at " + boost(one.build.boosts_kpa[one.run]);
  function showLikes({ request, likes }) {
    put("h-like", (likes.length === 1 ? "The build" : "The " + likes.length + " builds") + " most like it");
    byId("likes").replaceChildren(
      ...likes.map((one) => {
        const item = make("li");
        const button = make("button", null, "choose");
        button.type = "button";
        button.dataset.rank = one.build.rank;
        button.append(make("b", power(one.wouldMake), "would"), make("bdi", one.build.build, "who"));
        const words = make("p");
        words.append(make("bdi", one.build.publisher), ": " + madeText(one));
        const like = make("p", null, "small");
        like.append(make("b", one.likeness), ": " + sayDifferences(request, one));
        item.append(button, words, like);
        return item;
      })
    );
  }

  // ---- the card of a neighbour ----
  let cameFrom = null;
  function openCard(rank, byHand) {
    const one = shown && shown.likes.find((like) => like.build.rank === rank);
    if (one && byHand && state.picked === null) cameFrom = document.activeElement;
    state.picked = one ? rank : null;
    const card = byId("card");
    card.hidden = !one;
    for (const element of document.querySelectorAll("[data-rank]")) {
      const isThis = Boolean(one) && Number(element.dataset.rank) === rank;
      element.setAttribute("aria-pressed", String(isThis));
    }
    if (!one) {
      if (byHand && cameFrom && cameFrom.isConnected) cameFrom.focus({ preventScroll: true });
      return;
    }
    const { build } = one;
    const name = make("h2");
    name.id = "card-name";
    name.append(make("bdi", build.build));
    const list = make("dl");
    const add = (term, value) => {
      const pair = make("div");
      const cell = make("dd");
      cell.append(value instanceof Node ? value : make("bdi", value));
      pair.append(make("dt", term), cell);
      list.append(pair);
    };
    add("Publisher", build.publisher);
    const source = Object.prototype.hasOwnProperty.call(calc.sources, build.source) ? calc.sources[build.source] : null;
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
    const word = (field) => (build[field] === null ? "not stated" : calc.words[field][build[field]] || build[field]);
    add("Likeness", one.likeness + ": " + sayDifferences(shown.request, one));
    add("Yours, as this one", power(one.wouldMake) + " at " + withUnit(String(state.numbers.boost), units.boost));
    add("Share of the rule", write(100 * build.rule_ratio, 0) + THIN + "%");
    add("Without boost", power(build.na_power_kw));
    add("Induction", word("induction") + ", " + word("charge_cooling").toLowerCase());
    add("Fuel", word("fuel"));
    add("Measured", word("measured_at"));
    add("Baseline", word("baseline_hardware"));
    if (build.displacement_cc !== null) add("Displacement", withUnit(write(build.displacement_cc / 1000, 2), "L"));
    if (build.compression_ratio !== null) add("Compression", write(build.compression_ratio, 1));
    add("Air at the dyno", withUnit(write(build.ambient_kpa, 1), "kPa") + " absolute");
    const table = make("table", null, "set");
    table.append(make("caption", "Its boosted runs"));
    const head = make("tr");
    for (const text of ["Boost, " + units.boost, "Power, " + units.power, "Gain"]) head.append(make("th", text, "n"));
    const top = make("thead");
    top.append(head);
    const body = make("tbody");
    build.boosts_kpa.forEach((kpa, k) => {
      const line = make("tr");
      for (const text of [boostText(kpa), powerText(build.na_power_kw * (1 + build.gain_ratios[k])), write(100 * build.gain_ratios[k], 0) + THIN + "%"]) line.append(make("td", text, "n"));
      body.append(line);
    });
    table.append(top, body);
    byId("card-body").replaceChildren(make("p", "A build like it", "kicker"), name, list, table);
    if (model.invented) byId("card-body").append(make("p", "Invented demo data.", "small"));
    if (byHand) card.focus({ preventScroll: true });
  }
  function pick(rank) {
    openCard(rank === state.picked ? null : rank, true);
    draw();
  }

  // ---- the drawing: power against boost ----
  function stepOf(range, most) {
    const raw = range / most;
    const size = Math.pow(10, Math.floor(Math.log10(raw)));
    return [1, 2, 2.5, 5, 10].map((m) => m * size).find((s) => s >= raw);
  }
  function curvePoints(top) {
    const scores = model.folds.reduce((sum, fold) => sum + fold.scores.length, 0);
    const count = Math.max(8, Math.min(36, Math.round(60000 / Math.max(scores, 1))));
    return Array.from({ length: count + 1 }, (_, i) => {
      const request = { ...shown.request, boost_kpa: (top * i) / count };
      return { kpa: request.boost_kpa, ...powerAt(request, shown.curve, shown.widened), rule: rulePower(request), physics: physicsOf(request) };
    });
  }
  let cached = { key: "", points: [] };
  function draw() {
    if (!shown) return;
    const svg = byId("curve-plot");
    const { request, likes, power: made } = shown;
    const width = Math.max(Math.round(svg.parentElement.clientWidth), 280);
    const height = width < 560 ? 340 : 430;
    const edge = { left: 52, right: 12, top: 14, bottom: 44 };
    const top = highestRatio(request) * request.ambient_kpa;
    const key = JSON.stringify([request, top].map((one) => (one === request ? { ...one, boost_kpa: 0 } : one)));
    if (cached.key !== key) cached = { key, points: curvePoints(top) };
    const { points } = cached;
    const dots = likes
      .map((one) => ({ one, kpa: (one.build.boosts_kpa[one.run] / one.build.ambient_kpa) * request.ambient_kpa, kw: request.na_power_kw * (1 + one.build.gain_ratios[one.run]) }))
      .filter((dot) => dot.kpa <= top * 1.0001);
    const all = [...points.flatMap((p) => [p.low95, p.high95, p.low80, p.high80, p.value, p.rule, ...p.physics]), ...dots.map((dot) => dot.kw)].filter((kw) => kw !== null);
    const span = Math.max(...all) - Math.min(...all);
    const [least, most] = [Math.max(Math.min(...all) - 0.03 * span, 0), Math.max(...all) + 0.03 * span];
    const x = (kpa) => edge.left + (kpa / top) * (width - edge.left - edge.right);
    const y = (kw) => height - edge.bottom - ((kw - least) / (most - least)) * (height - edge.top - edge.bottom);
    svg.setAttribute("viewBox", "0 0 " + width + " " + height);
    svg.setAttribute("height", height);
    svg.replaceChildren();
    const yStep = stepOf((most - least) * units.perKw, height / 60);
    for (let tick = Math.ceil((least * units.perKw) / yStep) * yStep; tick <= most * units.perKw; tick += yStep) {
      const place = y(tick / units.perKw);
      mark("line", { class: "grid", x1: edge.left, x2: width - edge.right, y1: place, y2: place }, svg);
      mark("text", { class: "tick", x: edge.left - 7, y: place + 4, "text-anchor": "end" }, svg, write(tick, 0));
    }
    const xStep = stepOf(top * units.perKpa, width / 80);
    for (let tick = 0; tick <= top * units.perKpa * 1.0001; tick += xStep) {
      mark("line", { class: "axis", x1: x(tick / units.perKpa), x2: x(tick / units.perKpa), y1: height - edge.bottom, y2: height - edge.bottom + 5 }, svg);
      mark("text", { class: "tick", x: x(tick / units.perKpa), y: height - edge.bottom + 19, "text-anchor": "middle" }, svg, write(tick, xStep % 1 ? 1 : 0));
    }
    mark("line", { class: "axis", x1: edge.left, x2: width - edge.right, y1: height - edge.bottom, y2: height - edge.bottom }, svg);
    mark("text", { class: "title", x: width - edge.right, y: height - 6, "text-anchor": "end" }, svg, "Boost, " + units.boost + "; ends at the most tested");
    mark("text", { class: "title", x: 2, y: 11 }, svg, "Power, " + units.power);
    const path = (kw) => points.map((p, i) => (i ? "L" : "M") + x(p.kpa).toFixed(1) + " " + y(kw(p)).toFixed(1)).join("");
    const band = (low, high) => path(high) + points.slice().reverse().map((p) => "L" + x(p.kpa).toFixed(1) + " " + y(low(p)).toFixed(1)).join("") + "Z";
    if (points[0].low95 !== null) mark("path", { class: "band95", d: band((p) => p.low95, (p) => p.high95) }, svg);
    if (points[0].low80 !== null) mark("path", { class: "band80", d: band((p) => p.low80, (p) => p.high80) }, svg);
    mark("path", { class: "physics", d: path((p) => p.physics[0]) }, svg);
    mark("path", { class: "physics", d: path((p) => p.physics[1]) }, svg);
    mark("path", { class: "rule", d: path((p) => p.rule) }, svg);
    mark("path", { class: "expected", d: path((p) => p.value) }, svg);
    const here = x(request.boost_kpa);
    mark("line", { class: "here", x1: here, x2: here, y1: edge.top, y2: height - edge.bottom }, svg);
    if (made.low80 !== null) mark("line", { class: "reach", x1: here, x2: here, y1: y(made.low80), y2: y(made.high80) }, svg);
    mark("circle", { class: "best", cx: here, cy: y(made.value), r: 5 }, svg);
    for (const dot of dots) drawDot(svg, dot, x, y, top);
  }
  function drawDot(svg, { one, kpa, kw }, x, y, top) {
    const { build } = one;
    const isPicked = state.picked === build.rank;
    const look = lookOf(build) + (isPicked ? " picked" : "");
    if (isPicked) {
      const { request } = shown;
      const runs = build.boosts_kpa.map((own, k) => [(own / build.ambient_kpa) * request.ambient_kpa, request.na_power_kw * (1 + build.gain_ratios[k])]).filter((run) => run[0] <= top * 1.0001);
      const line = [[0, request.na_power_kw], ...runs];
      mark("path", { class: "runs " + look, d: line.map(([b, p], i) => (i ? "L" : "M") + x(b) + " " + y(p)).join("") }, svg);
      for (const [b, p] of runs) mark("circle", { class: "run " + look, cx: x(b), cy: y(p), r: 3 }, svg);
    }
    const group = mark("g", { class: "dot " + look, tabindex: 0, role: "button", "data-rank": build.rank, "aria-pressed": String(isPicked), "aria-label": build.build + ", " + build.publisher + ": " + madeText(one) }, svg);
    mark("circle", { class: "hit", cx: x(kpa), cy: y(kw), r: 15 }, group);
    const [cx, cy] = [x(kpa), y(kw)];
    if (look.startsWith("c1")) mark("rect", { class: "shape", x: cx - 4.5, y: cy - 4.5, width: 9, height: 9 }, group);
    else if (look.startsWith("c2")) mark("path", { class: "shape", d: "M" + cx + " " + (cy - 5.8) + "l5.6 9.8h-11.2z" }, group);
    else if (look.startsWith("c3")) mark("path", { class: "shape", d: "M" + cx + " " + (cy - 6) + "l6 6l-6 6l-6 -6z" }, group);
    else mark("circle", { class: "shape", cx, cy, r: 5 }, group);
    mark("title", {}, group, build.build + ", " + build.publisher + ": " + madeText(one));
  }
  function fillTable() {
    if (!shown || !byId("curve-table").open) return;
    const { request, curve, widened } = shown;
    const top = highestRatio(request) * request.ambient_kpa;
    const step = stepOf(top * units.perKpa, 9);
    const head = make("tr");
    for (const text of ["Boost, " + units.boost, "80" + THIN + "% range, " + units.power, "95" + THIN + "% range", "Best single figure", "Rule", "Physics"]) head.append(make("th", text, "n"));
    const body = make("tbody");
    for (let tick = step; tick <= top * units.perKpa * 1.0001; tick += step) {
      const at = { ...request, boost_kpa: tick * units.kpa };
      const made = powerAt(at, curve, widened);
      const [low, high] = physicsOf(at);
      const line = make("tr");
      const cells = [write(tick, step % 1 ? 1 : 0), between(made.low80, made.high80, powerText, ""), between(made.low95, made.high95, powerText, ""), powerText(made.value), powerText(rulePower(at)), between(low, high, powerText, "")];
      for (const text of cells) line.append(make("td", text, "n"));
      body.append(line);
    }
    const table = make("table", null, "set");
    const first = make("thead");
    first.append(head);
    table.append(first, body);
    byId("curve-rows").replaceChildren(table);
  }

  // ---- listen ----
  function changed(name) {
    delete state.bad[name];
    for (const key of Object.keys(state.bad)) if (key.startsWith("link ")) delete state.bad[key];
    refresh();
  }
  function refresh() {
    show();
    fillTable();
    // An address that cannot be read stays as it was given until it is mended.
    if (!Object.keys(state.bad).length) writeAddress();
  }
  function typed(name) {
    const text = byId("e-" + name).value.trim().replace(",", ".");
    const isNumber = (name === "altitude" ? /^-?\d{1,9}(\.\d{1,9})?$/ : /^\d{1,9}(\.\d{1,9})?$/).test(text);
    state.numbers[name] = isNumber ? Number(text) : null;
    changed(name);
    if (text && !isNumber) {
      const unit = unitOf(name, units);
      state.bad[name] = LABELS[name] + " is given as \u201c" + shortened(text) + "\u201d; it takes a number" + (unit ? " of " + unit : "") + ", such as " + { power: "340", boost: "9", length: "1600", litre: "5.0", plain: "9.5" }[KINDS[name]] + ". Write it so.";
      refresh();
    }
  }
  function listen() {
    for (const name of NAMES) {
      const entry = byId("e-" + name);
      entry.addEventListener("input", () => typed(name));
      const slider = byId("e-" + name + "-slider");
      if (slider)
        slider.addEventListener("input", () => {
          state.numbers[name] = Number(slider.value);
          entry.value = slider.value;
          changed(name);
        });
    }
    for (const name of Object.keys(SELECTS))
      byId("e-" + name).addEventListener("change", (event) => {
        state.codes[name] = event.target.value || null;
        changed(name);
      });
    byId("e-is").addEventListener("change", (event) => {
      state.is = event.target.value;
      changed("is");
    });
    byId("e-catalogue").addEventListener("change", (event) => {
      state.catalogue = event.target.checked;
      changed("catalogue");
    });
    byId("r-hold").addEventListener("click", () => {
      state.numbers.boost = boostEnds(requestNow().request)[1];
      changed("boost");
    });
    document.addEventListener("click", (event) => {
      const target = event.target.closest("[data-rank]");
      if (target) pick(Number(target.dataset.rank));
    });
    document.addEventListener("keydown", (event) => {
      if (event.key === "Escape" && state.picked !== null) pick(state.picked);
      const dot = event.target.closest && event.target.closest("g.dot");
      if (dot && (event.key === "Enter" || event.key === " ")) {
        event.preventDefault();
        pick(Number(dot.dataset.rank));
      }
    });
    byId("card-close").addEventListener("click", () => pick(state.picked));
    byId("curve-table").addEventListener("toggle", fillTable);
    addEventListener("hashchange", () => {
      readAddress();
      show();
      fillTable();
    });
    new ResizeObserver(() => draw()).observe(byId("curve"));
  }
  function setUnits() {
    const next = root.dataset.units === "si" ? "si" : "us";
    if (next === code) return;
    const before = units;
    units = calc.units[next];
    code = next;
    for (const name of NAMES)
      if (state.numbers[name] !== null && unitOf(name, before) !== unitOf(name, units))
        state.numbers[name] = Number(((state.numbers[name] * toSi(name, before)) / toSi(name, units)).toFixed(digitsOf(name, units)));
    refresh();
  }
  if (root.dataset.units === "si") [units, code] = [calc.units.si, "si"];
  listen();
  readAddress();
  if (pieces().some((piece) => /^more$/.test(piece)) || ["displacement", "cr", "aki", "ron", "altitude", "rating"].some((name) => state.numbers[name] !== null)) byId("more").open = true;
  show();
  new MutationObserver(setUnits).observe(root, { attributes: true, attributeFilter: ["data-units"] });
  root.dataset.calculator = "1";
})();
