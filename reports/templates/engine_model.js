"use strict";
// What the estimate's formulas say of one engine: the same steps, in the same order, as models/expected_power.py and the modules
// that it calls, so that the page and the command give the same figures. Plain values in, plain values out; SI throughout.
window.engineModel = function (calc) {
  const { model } = calc;
  const errors = model.errors;
  const CODES = ["induction", "charge_cooling", "fuel", "measured_at", "baseline_hardware"];

  // ---- expected power and its ranges ----
  function figureOf(request, name) {
    if (name === "na_power") return request.na_power_kw;
    if (name === "specific_output") return request.displacement_cc === null ? null : request.na_power_kw / (request.displacement_cc / 1000);
    return request[name];
  }
  function columnsOf(covariate, request) {
    if (covariate.kind === "code") {
      const level = request[covariate.name] || covariate.default;
      if (!covariate.levels.includes(level)) return null;
      return covariate.levels.slice(1).map((one, k) => (level === one ? 1 : 0) - covariate.means[k]);
    }
    const value = figureOf(request, covariate.name);
    if (value === null) return null;
    const low = covariate.low === null ? value : Math.max(value, covariate.low);
    const held = covariate.high === null ? low : Math.min(low, covariate.high);
    return [(held - covariate.means[0]) / covariate.step];
  }
  function sumOf(row, coefficients) {
    let total = 0;
    for (let j = 0; j < row.length; j += 1) total += row[j] * coefficients[j];
    return total;
  }
  function curveOf(request) {
    const row = model.coefficients.map((_, j) => (j ? 0 : 1));
    const stated = model.coefficients.map((_, j) => j === 0);
    for (const covariate of model.covariates) {
      const values = columnsOf(covariate, request);
      if (values) covariate.columns.forEach((place, k) => ([row[place], stated[place]] = [values[k], true]));
    }
    return { row, stated, slope: sumOf(row, model.coefficients), curvature: model.curvature };
  }
  function powerRatio(slope, curvature, x) {
    return Math.max(1 + slope * x + curvature * x * (x - model.reference_boost_ratio), model.lowest_power_ratio);
  }
  function quadratic(vector, matrix) {
    let total = 0;
    for (let i = 0; i < vector.length; i += 1) for (let j = 0; j < vector.length; j += 1) total += vector[i] * matrix[i][j] * vector[j];
    return total;
  }
  function coefficientVariance(vector) {
    const plain = quadratic(vector, errors.covariance_model);
    return errors.covariance_jackknife === null ? plain : Math.max(plain, quadratic(vector, errors.covariance_jackknife));
  }
  function unstatedVariance(curve) {
    return quadratic(curve.stated.map((known, j) => (known ? 0 : model.coefficients[j])), errors.column_covariance);
  }
  function logPowerSd(request, curve, x) {
    const ratio = powerRatio(curve.slope, curve.curvature, x);
    const u = x / ratio;
    const k = (x * (x - model.reference_boost_ratio)) / ratio;
    const steepness = (curve.slope + curve.curvature * (2 * x - model.reference_boost_ratio)) / (ratio * request.ambient_kpa);
    const behind = request.measured_at === "wheel" || request.measured_at === "hub";
    const phi = behind ? errors.phi_wheel : errors.phi_crank;
    let variance = coefficientVariance([...curve.row.map((value) => u * value), k]);
    variance += u * u * errors.spread ** 2 + k * k * errors.curvature_spread ** 2 + u * u * unstatedVariance(curve);
    variance += 2 * phi * errors.pull_rel_sd ** 2 + 2 * errors.session_rel_sd ** 2 + (steepness * errors.boost_sd_kpa) ** 2;
    variance += (behind ? errors.wheel_rel_sd ** 2 : 0) + (request.is_catalogue_figure ? errors.catalogue_rel_sd ** 2 : 0);
    return Math.sqrt(variance);
  }
  function weightedEnd(pairs, level) {
    let total = 0;
    for (const [value, weight] of pairs.sort((a, b) => a[0] - b[0] || a[1] - b[1])) {
      total += weight;
      if (total >= level - 1e-12) return value;
    }
    return null;
  }
  function logEnds(request, curve, x, widened) {
    if (model.method === "none") return [null, null, null, null];
    const sd = logPowerSd(request, curve, x);
    if (model.method === "model") {
      const [half80, half95] = [errors.t80 * sd * widened, errors.t95 * sd * widened];
      return [half80, half80, ...(model.has_95 ? [half95, half95] : [null, null])];
    }
    const expected = Math.log(powerRatio(curve.slope, curve.curvature, x));
    const above = [];
    const below = [];
    for (const fold of model.folds) {
      const shift = Math.log(powerRatio(sumOf(curve.row, fold.coefficients), fold.curvature, x)) - expected;
      fold.scores.forEach((score, k) => {
        above.push([shift + score * sd, fold.weights[k]]);
        below.push([score * sd - shift, fold.weights[k]]);
      });
    }
    const reach = (end) => (end === null ? null : Math.max(end, 0) * widened);
    const wide = model.has_95 ? [reach(weightedEnd(below, 0.95)), reach(weightedEnd(above, 0.95))] : [null, null];
    return [reach(weightedEnd(below, 0.8)), reach(weightedEnd(above, 0.8)), ...wide];
  }
  // Expected power and its ranges at one boost.
  function powerAt(request, curve, widened) {
    const x = request.boost_kpa / request.ambient_kpa;
    const value = request.na_power_kw * powerRatio(curve.slope, curve.curvature, x);
    const [down80, up80, down95, up95] = logEnds(request, curve, x, widened);
    const end = (by) => (by === null ? null : value * Math.exp(by));
    const minus = (by) => (by === null ? null : -by);
    return { value, low80: end(minus(down80)), high80: end(up80), low95: end(minus(down95)), high95: end(up95) };
  }
  function marginalAt(request, curve, widened) {
    const x = request.boost_kpa / request.ambient_kpa;
    const lever = 2 * x - model.reference_boost_ratio;
    const value = curve.slope + curve.curvature * lever;
    const per = request.na_power_kw / calc.seaLevel;
    const variance = coefficientVariance([...curve.row, lever]) + unstatedVariance(curve);
    const sd = Math.sqrt(variance + errors.spread ** 2 + (lever * errors.curvature_spread) ** 2);
    const [half80, half95] = [widened * errors.t80 * sd, widened * errors.t95 * sd];
    if (model.method === "none") return { value: value * per, low80: null, high80: null, low95: null, high95: null };
    const wide = model.has_95 ? [(value - half95) * per, (value + half95) * per] : [null, null];
    return { value: value * per, low80: (value - half80) * per, high80: (value + half80) * per, low95: wide[0], high95: wide[1] };
  }
  function chargeGain(boostKpa, ambient, setup) {
    const { exponent, cp, r, zero } = calc.charge;
    const ratio = 1 + boostKpa / ambient;
    const inlet = zero + setup.inlet_c;
    const bmep = (setup.na_bmep_kpa * ambient) / calc.seaLevel;
    const compressed = inlet * (1 + (Math.pow(ratio, exponent) - 1) / setup.compressor_efficiency);
    const charge = compressed - setup.cooler_effectiveness * (compressed - inlet);
    const indicated = ratio * Math.pow(inlet / charge, setup.temperature_exponent);
    const air = (setup.volumetric_efficiency * (ambient / (r * inlet))) / bmep;
    const drive = setup.is_belt_driven ? (air * indicated * cp * (compressed - inlet)) / setup.drive_efficiency : 0;
    const exhaust = setup.exhaust_over_boost === null ? 0 : -(boostKpa - setup.exhaust_over_boost * boostKpa) / bmep;
    return (indicated - (1 - setup.mechanical_efficiency)) / setup.mechanical_efficiency - drive - exhaust - 1;
  }
  function physicsOf(request) {
    const open = (own, stated) => stated === null || stated === own;
    let fits = model.physics.filter((one) => open(one.induction, request.induction));
    if (!fits.length) fits = model.physics;
    const cooled = fits.filter((one) => open(one.charge_cooling, request.charge_cooling));
    const gains = (cooled.length ? cooled : fits).map((one) => chargeGain(request.boost_kpa, request.ambient_kpa, one));
    return [request.na_power_kw * (1 + Math.min(...gains)), request.na_power_kw * (1 + Math.max(...gains))];
  }
  const rulePower = (request) => request.na_power_kw * (1 + request.boost_kpa / request.ambient_kpa);

  // ---- outside the evidence ----
  const spans = Object.fromEntries(model.evidence.spans.map((span) => [span.name, span]));
  function highestRatio(request) {
    const open = (own, stated) => stated === null || stated === own;
    const fits = model.evidence.classes.filter((one) => open(one.induction, request.induction) && open(one.charge_cooling, request.charge_cooling));
    if (fits.length) return Math.max(...fits.map((one) => one.highest_boost_ratio));
    return spans.boost_ratio ? spans.boost_ratio.high : 0;
  }
  function beyond(name, value, low, high, seen) {
    const isAbove = value > high * (1 + 1e-9);
    if (!isAbove && value >= low * (1 - 1e-9)) return [];
    const limit = isAbove ? seen[1] : seen[0];
    const factor = isAbove ? value / limit : limit / value;
    const widens = name === "boost" && !isAbove ? 1 : factor <= 1.1 ? 1.25 : factor <= 1.25 ? 1.5 : 2;
    return [{ name, yours: value, limit, isAbove, widens }];
  }
  const FIGURES = [
    ["na_power_kw", "na_power", "na_power", 1],
    ["specific_output", "specific_output", "specific_output", 1],
    ["displacement_cc", "displacement_cc", "displacement", 1],
    ["compression_ratio", "compression_ratio", "compression_ratio", 1],
    ["ambient_kpa", "ambient_kpa", "ambient", 1.02],
    ["octane_ron", "octane_ron", "octane_ron", 1],
    ["octane_aki", "octane_aki", "octane_aki", 1],
  ];
  function outsideOf(request) {
    const found = [];
    if (spans.boost_ratio) {
      const seen = [spans.boost_ratio.low * request.ambient_kpa, highestRatio(request) * request.ambient_kpa];
      found.push(...beyond("boost", request.boost_kpa, seen[0] / calc.reach, seen[1] * calc.reach, seen));
    }
    for (const [span, figure, name, reach] of FIGURES) {
      const value = figureOf(request, figure);
      if (value !== null && spans[span])
        found.push(...beyond(name, value, spans[span].low / reach, spans[span].high * reach, [spans[span].low, spans[span].high]));
    }
    const levels = model.evidence.levels;
    const has = (name, level) => Object.prototype.hasOwnProperty.call(levels[name] || {}, level);
    for (const name of CODES)
      if (request[name] !== null && Object.keys(levels[name] || {}).length && !has(name, request[name]))
        found.push({ name, yours: request[name], limit: null, widens: 1.5 });
    const { induction, charge_cooling: cooling } = request;
    const own = model.evidence.classes.some((one) => one.induction === induction && one.charge_cooling === cooling);
    if (induction !== null && cooling !== null && !own && model.evidence.classes.length && has("induction", induction) && has("charge_cooling", cooling))
      found.push({ name: "class", yours: induction + ", " + cooling, limit: null, widens: 2 });
    return found;
  }
  const wideningOf = (found) => Math.min(found.reduce((factor, one) => factor * one.widens, 1), calc.mostWidened);

  // ---- the most similar builds ----
  function nearestRun(build, x) {
    let best = 0;
    const apart = build.boosts_kpa.map((kpa) => Math.abs(Math.log(kpa / build.ambient_kpa / x)));
    apart.forEach((one, k) => (best = one < apart[best] ? k : best));
    return best;
  }
  function coordinateOf(axis, request) {
    if (axis.kind === "code") return request[axis.name] === null ? null : ((request[axis.name] === axis.level ? 1 : 0) - axis.mean) / axis.scale;
    const value = figureOf(request, axis.name);
    return value === null ? null : ((axis.kind === "log" ? Math.log(value) : value) - axis.mean) / axis.scale;
  }
  function similarBuilds(request) {
    const x = request.boost_kpa / request.ambient_kpa;
    const place = model.dimensions.map((axis) => coordinateOf(axis, request));
    const measured = [];
    for (const build of model.known_builds) {
      if (!build.boosts_kpa.length) continue;
      const run = nearestRun(build, x);
      let total = (Math.log(build.boosts_kpa[run] / build.ambient_kpa / x) / model.boost_scale) ** 2;
      place.forEach((own, j) => (total += own === null ? 0 : (build.coordinates[j] - own) ** 2));
      measured.push({ build, run, distance: Math.sqrt(total) });
    }
    measured.sort((a, b) => a.distance - b.distance || a.build.rank - b.build.rank);
    return measured.slice(0, calc.neighbours).map((one) => ({
      ...one,
      likeness: (calc.likeness.find(([end]) => one.distance < end) || [0, calc.farthest])[1],
      wouldMake: request.na_power_kw * powerRatio(one.build.rule_ratio, model.curvature, x),
    }));
  }

  return { CODES, curveOf, powerAt, marginalAt, physicsOf, rulePower, spans, highestRatio, outsideOf, wideningOf, similarBuilds };
};
