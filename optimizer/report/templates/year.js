"use strict";
// Shows any day of the year: a click on a heat map, the date field or a slider chooses it. Sizes, looks and
// words are those of figures.py; the series are packed by year_figure.py.
(async () => {
  const box = document.getElementById("year");
  if (!window.DecompressionStream) return;
  const told = JSON.parse(document.getElementById("year-data").textContent);
  const pick = box.querySelector(".pick");
  const [daySlider, timeSlider] = pick.querySelectorAll("input[type=range]");
  const field = pick.querySelector("input[type=date]");
  const [ofDay, ofTime] = pick.querySelectorAll(".told");
  const charts = pick.querySelector(".days"), details = pick.querySelector("details");
  const WIDTH = 460, LEFT = 46, RIGHT = 440, TOP = 84, POWER = 190, GAP = 30, LEVEL = 84;  // [px]

  // Each series holds differences from step to step, all high bytes after all low bytes.
  const zipped = Uint8Array.from(atob(told.packed), (sign) => sign.charCodeAt(0));
  const plain = new Blob([zipped]).stream().pipeThrough(new DecompressionStream("deflate"));
  const bytes = new Uint8Array(await new Response(plain).arrayBuffer()), half = bytes.length / 2;
  const days = told.begins.length - 1, count = told.begins[days];
  const series = Array.from({ length: half / count }, (_, place) => {
    const found = new Int16Array(count);
    for (let at = 0, sum = 0; at < count; at++) {
      const from = place * count + at;
      found[at] = sum = (sum + bytes[from] + 256 * bytes[half + from]) & 0xffff;
    }
    return found;
  });
  const [minutes, windows, limits] = series, LOAD = 3;
  const cases = told.cases.map((name, place) => {
    const [pv, battery, net, level] = [4, 5, 6, 7].map((first) => first + 4 * place);
    return { name, pv, battery, net, level };
  });
  const ours = cases[cases.length - 1], hours = told.step / 60;
  const kw = (place, at) => series[place][at] * told.kw;
  const pct = (each, at) => series[each.level][at] / 10;

  // Words.
  const decimals = Math.max(0, Math.round(-Math.log10(told.kw)));
  const written = (value, places) => {
    const text = value.toFixed(places).replace(/^-(0\.?0*)$/, "$1");
    return told.comma ? text.replace(".", ",") : text;
  };
  const power = (value) => `${written(value, decimals)} kW`;
  const signed = (value, above, below) => `${value < 0 ? below : above} ${power(Math.abs(value))}`;
  const time = (minute) => {
    const hour = Math.floor(minute / 60), rest = String(minute % 60).padStart(2, "0");
    if (told.clock === 24) return `${String(hour).padStart(2, "0")}:${rest}`;
    return `${(hour + 11) % 12 + 1}:${rest} ${hour < 12 ? "am" : "pm"}`;
  };
  const hourMark = (minute) => told.clock === 24 ? time(minute) : time(minute).replace(":00", "");
  const safe = (text) => text.replace(/[&<>"]/g, (sign) => `&#${sign.charCodeAt(0)};`);
  const dateOf = (day) => new Date(Date.parse(told.first) + 864e5 * day);
  const doing = (at) => {
    const window = windows[at] ? told.windows[windows[at]][1] : told.elsewhere;
    return [window, told.windows[limits[at]][1]].filter(Boolean).join(", ");
  };
  let steps = [];

  function summary(each) {
    const net = steps.map((at) => kw(each.net, at)), top = Math.max(...net);
    const sum = (sign) => hours * net.reduce((all, one) => all + Math.max(sign * one, 0), 0);
    const levels = steps.map((at) => pct(each, at));
    const highest = top > 0 ? `, highest ${power(top)} at ${time(minutes[steps[net.indexOf(top)]])}` : "";
    return `import ${written(sum(1), 1)} kWh${highest}; export ${written(sum(-1), 1)} kWh;`
      + ` battery from ${written(Math.min(...levels), 0)} to ${written(Math.max(...levels), 0)} %`;
  }

  function ticks(low, high, most) {
    const size = 10 ** Math.floor(Math.log10((high - low) / most)), found = [];
    const step = [1, 2, 2.5, 5, 10, 20].map((part) => part * size).find((one) => (high - low) / one <= most);
    for (let at = Math.ceil(low / step); at <= high / step; at++) found.push(+(at * step).toPrecision(12));
    return found;
  }

  // The chart of a case: power above, state of charge below, windows behind ours.
  const LOOK = { charge: "sky", hold: "grey", cover: "yellow", sell: "purple", limit: "vermilion" };
  const LEGEND = [
    ["load", "line plain", LEFT, 30], ["PV used", "line orange long", 110, 30],
    ["import (export below zero)", "line vermilion dash", 196, 30],
    ["battery charges", "area sky", LEFT, 48], ["discharges", "area green", 196, 48],
  ];

  function chart(each) {
    const wide = (RIGHT - LEFT) / steps.length, x = (place) => LEFT + wide * place, parts = [];
    const drawn = cases.flatMap((one) => steps.flatMap((at) =>
      [kw(LOAD, at), kw(one.pv, at), kw(one.battery, at), kw(one.net, at)]));
    const low = Math.min(0, ...drawn) * 1.05, high = Math.max(0.001, ...drawn) * 1.05;
    const below = TOP + POWER + GAP + LEVEL;
    const y = (value) => TOP + POWER * (high - value) / (high - low);
    const level = (value) => below - LEVEL * value / 105;
    const text = (a, b, words, how = "") => parts.push(`<text class="${how}" x="${a}" y="${b}">${safe(words)}</text>`);
    const path = (shape, how) => parts.push(`<path class="${how}" d="${shape}"/>`);
    const stepped = (of) => steps.map((at, place) =>
      `${place ? "V" : `M${LEFT} `}${y(of(at)).toFixed(1)}H${x(place + 1).toFixed(1)}`).join("");
    text(4, 14, each.name, "strong");
    for (const [words, how, at, row] of LEGEND) {
      path(how.startsWith("line") ? `M${at} ${row}h24` : `M${at} ${row - 5}h18v10h-18z`, how);
      text(at + 30, row + 4, words);
    }
    for (const found of each === ours ? [windows, limits] : []) {
      for (let first = 0, end; first < steps.length; first = end) {
        const now = found[steps[first]], action = told.windows[now][0];
        for (end = first + 1; end < steps.length && found[steps[end]] === now;) end++;
        if (!now) continue;
        path(`M${x(first)} ${TOP}H${x(end)}V${below}H${x(first)}z`, `band ${LOOK[action]}`);
        text(Math.min(x(first) + 2, RIGHT - 36), TOP - 3 + (found === limits ? 13 : 0), action, "tick halo");
      }
    }
    text(4, TOP - 12, "kW");
    text(4, below - LEVEL - 9, "state of charge, %");
    const rule = (at, words) => { path(`M${LEFT} ${at}H${RIGHT}`, "rule"); text(LEFT - 5, at + 4, words, "tick end"); };
    for (const at of ticks(low, high, 6)) rule(y(at), told.comma ? `${at}`.replace(".", ",") : `${at}`);
    for (const at of [0, 50, 100]) rule(level(at), `${at}`);
    for (const [sign, how] of [[1, "sky"], [-1, "green"]]) {
      path(`${stepped((at) => sign * Math.max(sign * kw(each.battery, at), 0))}V${y(0)}H${LEFT}z`, `area ${how}`);
    }
    path(stepped((at) => kw(each.pv, at)), "line orange long");
    path(stepped((at) => kw(LOAD, at)), "line plain");
    path(stepped((at) => kw(each.net, at)), "line vermilion dash");
    const levels = steps.map((at, place) => `${x(place + 1).toFixed(1)} ${level(pct(each, at)).toFixed(1)}`);
    path(`M${levels.join("L")}`, "line green");
    path(`M${LEFT} ${y(0)}H${RIGHT}M${LEFT} ${below}H${RIGHT}`, "axis");
    steps.forEach((at, place) => {
      if (minutes[at] % 240) return;
      path(`M${x(place)} ${below}v4`, "axis");
      text(x(place), below + 16, hourMark(minutes[at]), "tick middle");
    });
    path("", "axis at");
    return `<svg class="figure" role="img" aria-label="${safe(`${each.name}: ${summary(each)}`)}"`
      + ` viewBox="0 0 ${WIDTH} ${below + 22}">${parts.join("")}</svg>`;
  }

  function table() {
    if (!details.open) return;
    const parts = ["PV kW", "battery kW", "import kW", "charge %"];
    const heads = ["time", "load kW", ...cases.flatMap((each) => parts.map((what) => `${each.name}: ${what}`)), "in force"];
    const cells = (at) => [
      time(minutes[at]), written(kw(LOAD, at), decimals),
      ...cases.flatMap((each) => [
        ...[each.pv, each.battery, each.net].map((place) => written(kw(place, at), decimals)), written(pct(each, at), 1),
      ]),
      safe(doing(at)),
    ];
    const rows = steps.map((at) => `<tr>${cells(at).map((cell) => `<td>${cell}</td>`).join("")}</tr>`);
    const head = heads.map((name) => `<th scope="col">${safe(name)}</th>`).join("");
    details.lastElementChild.innerHTML = `<table><tr>${head}</tr>${rows.join("")}</table>`;
  }

  function showTime(place) {
    const at = steps[place];
    const of = (each) => `${each.name}: ${signed(kw(each.net, at), "import", "export")}, PV ${power(kw(each.pv, at))},`
      + ` battery ${signed(kw(each.battery, at), "takes", "gives")} and is then ${written(pct(each, at), 1)} % full`;
    const lines = [`${time(minutes[at])}: load ${power(kw(LOAD, at))}`, ...cases.map(of), `in force: ${doing(at)}`];
    timeSlider.value = place;
    timeSlider.setAttribute("aria-valuetext", lines.join(". "));
    ofTime.textContent = lines.join("\n");
    const x = LEFT + (RIGHT - LEFT) * (place + 0.5) / steps.length;
    for (const mark of charts.querySelectorAll(".at")) mark.setAttribute("d", `M${x} ${TOP}V${TOP + POWER + GAP + LEVEL}`);
  }

  function showDay(day) {
    steps = Array.from({ length: told.begins[day + 1] - told.begins[day] }, (_, at) => told.begins[day] + at);
    const name = dateOf(day).toLocaleDateString("en-GB", { timeZone: "UTC", dateStyle: "full" });
    field.value = dateOf(day).toISOString().slice(0, 10);
    daySlider.value = day;
    daySlider.setAttribute("aria-valuetext", `${name}: ${summary(ours)}`);
    ofDay.textContent = [name, ...cases.map((each) => `${each.name}: ${summary(each)}`)].join("\n");
    charts.innerHTML = cases.map(chart).join("");
    timeSlider.max = steps.length - 1;
    showTime(Math.min(+timeSlider.value, steps.length - 1));
    table();
    const wide = (RIGHT - LEFT) / days;
    for (const mark of box.querySelectorAll(".chosen")) {
      mark.setAttribute("width", Math.max(wide, 1.5));
      mark.setAttribute("x", LEFT + wide * day);
    }
  }

  const shareAt = (svg, event) => {
    const frame = svg.getBoundingClientRect(), x = WIDTH * (event.clientX - frame.left) / frame.width;
    return Math.min(Math.max((x - LEFT) / (RIGHT - LEFT), 0), 1 - 1e-9);
  };
  for (const svg of box.querySelectorAll("svg")) {
    svg.addEventListener("click", (event) => {
      showDay(Math.floor(days * shareAt(svg, event)));
      daySlider.focus({ preventScroll: true });
    });
  }
  charts.addEventListener("pointermove", (event) => {
    const svg = event.target.closest("svg");
    if (svg) showTime(Math.floor(steps.length * shareAt(svg, event)));
  });
  daySlider.addEventListener("input", () => showDay(+daySlider.value));
  timeSlider.addEventListener("input", () => showTime(+timeSlider.value));
  field.addEventListener("change", () => {
    const day = Math.round((Date.parse(field.value) - Date.parse(told.first)) / 864e5);
    if (day >= 0 && day < days) showDay(day);
  });
  details.addEventListener("toggle", table);
  pick.hidden = false;
  box.querySelector(".without").hidden = true;
  box.classList.add("live");
  timeSlider.max = 1440;
  timeSlider.value = Math.floor(720 / told.step);
  showDay(Math.floor(days / 2));
})();
