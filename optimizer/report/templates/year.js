"use strict";
// Shows any day of the year: a click on a heat map, the date field, or a slider chooses it.
(async () => {
  const box = document.getElementById("year");
  if (!window.DecompressionStream) return;
  const told = JSON.parse(document.getElementById("year-data").textContent);
  const pick = box.querySelector(".pick"), [daySlider, timeSlider] = pick.querySelectorAll("input[type=range]");
  const field = pick.querySelector("input[type=date]"), [ofDay, ofTime] = pick.querySelectorAll(".told");
  const charts = pick.querySelector(".days"), details = pick.querySelector("details"), maps = [...box.querySelectorAll("svg")];
  const inside = { left: 46, right: 440, top: 84 }, height = { power: 190, gap: 30, level: 84 };  // as figures.py has them

  // Series: their high bytes apart, differences added up.
  const zipped = Uint8Array.from(atob(told.packed), (sign) => sign.charCodeAt(0));
  const plain = new Blob([zipped]).stream().pipeThrough(new DecompressionStream("deflate"));
  const bytes = new Uint8Array(await new Response(plain).arrayBuffer()), half = bytes.length / 2;
  const count = told.begins[told.begins.length - 1], days = told.begins.length - 1;
  const series = Array.from({ length: half / count }, (_, place) => {
    const found = new Int16Array(count);
    for (let at = 0, sum = 0; at < count; at++) {
      const from = place * count + at;
      found[at] = sum = (sum + bytes[from] + 256 * bytes[half + from]) & 0xffff;
    }
    return found;
  });
  const [minutes, windows, limits] = series, decimals = Math.max(0, Math.round(-Math.log10(told.kw)));
  const kw = (place, at) => series[place][at] * told.kw;
  const cases = told.cases.map((name, place) => ({ name, pv: 4 + 4 * place, battery: 5 + 4 * place, net: 6 + 4 * place, level: 7 + 4 * place }));
  const ours = cases[cases.length - 1];

  const written = (value, places) => { const text = value.toFixed(places).replace(/^-(0\.?0*)$/, "$1"); return told.comma ? text.replace(".", ",") : text; };
  const power = (value) => `${written(value, decimals)} kW`;
  const signed = (value, above, below) => `${value < 0 ? below : above} ${power(Math.abs(value))}`;
  const time = (minute) => {
    const hour = Math.floor(minute / 60) % 24, rest = String(minute % 60).padStart(2, "0");
    return told.clock === 24 ? `${String(hour).padStart(2, "0")}:${rest}` : `${(hour + 11) % 12 + 1}:${rest} ${hour < 12 ? "am" : "pm"}`;
  };
  const safe = (text) => text.replace(/[&<>"]/g, (sign) => `&#${sign.charCodeAt(0)};`);
  const dateOf = (day) => new Date(Date.parse(told.first) + 864e5 * day);
  const stepsOf = (day) => Array.from({ length: told.begins[day + 1] - told.begins[day] }, (_, at) => told.begins[day] + at);
  const doing = (at) => [windows[at] ? told.windows[windows[at]][1] : told.elsewhere, told.windows[limits[at]][1]].filter(Boolean).join(", ");
  const hours = told.step / 60, both = (steps, of) => steps.flatMap((at) => cases.map((each) => of(each, at)));
  let day = 0, steps = [];

  function summary(each) {
    const net = steps.map((at) => kw(each.net, at)), top = Math.max(...net), sum = (sign) => hours * net.reduce((all, one) => all + Math.max(sign * one, 0), 0);
    const levels = steps.map((at) => series[each.level][at] / 10);
    const highest = top > 0 ? `, highest ${power(top)} at ${time(minutes[steps[net.indexOf(top)]])}` : "";
    return `import ${written(sum(1), 1)} kWh${highest}; export ${written(sum(-1), 1)} kWh; battery from ${written(Math.min(...levels), 0)} to ${written(Math.max(...levels), 0)} %`;
  }

  function ticks(low, high, most) {
    const size = 10 ** Math.floor(Math.log10((high - low) / most));
    const step = [1, 2, 2.5, 5, 10, 20].map((part) => part * size).find((one) => (high - low) / one <= most), found = [];
    for (let at = Math.ceil(low / step); at <= high / step; at++) found.push(+(at * step).toPrecision(12));
    return found;
  }

  function chart(each) {
    const { left, right, top } = inside, wide = (right - left) / steps.length, x = (place) => left + wide * place;
    const values = both(steps, (one, at) => [kw(3, at), kw(one.pv, at), kw(one.battery, at), kw(one.net, at)]).flat();
    const low = Math.min(0, ...values) * 1.05, high = Math.max(0.001, ...values) * 1.05;
    const y = (value) => top + height.power * (high - value) / (high - low), begin = top + height.power + height.gap, below = begin + height.level;
    const level = (pct) => below - height.level * pct / 105, parts = [];
    const text = (a, b, words, how) => parts.push(`<text class="${how}" x="${a}" y="${b}">${safe(words)}</text>`);
    const path = (shape, how) => parts.push(`<path class="${how}" d="${shape}"/>`);
    const stepped = (of) => steps.map((at, place) => `${place ? "V" : `M${left} `}${of(at).toFixed(1)}H${x(place + 1).toFixed(1)}`).join("");
    const looks = { charge: "sky", hold: "grey", cover: "yellow", sell: "purple", limit: "vermilion" };
    text(4, 14, each.name, "strong");
    [["load", "plain", 46], ["PV used", "orange long", 110], ["import (export below zero)", "vermilion dash", 196],
     ["battery charges", "sky", 46], ["discharges", "green", 196]].forEach(([words, how, at], place) => {
      const row = place < 3 ? 30 : 48;
      if (place < 3) path(`M${at} ${row}h24`, `line ${how}`); else path(`M${at} ${row - 5}h18v10h-18z`, `area ${how}`);
      text(at + 30, row + 4, words, "");
    });
    if (each === ours) for (const found of [windows, limits]) {
      for (let place = 0; place < steps.length; place++) {
        const now = found[steps[place]], first = place;
        while (now && found[steps[place + 1]] === now && place + 1 < steps.length) place++;
        if (!now) continue;
        path(`M${x(first)} ${top}H${x(place + 1)}V${below}H${x(first)}z`, `band ${looks[told.windows[now][0]]}`);
        text(Math.min(x(first) + 2, right - 36), top - 3 + (found === limits ? 13 : 0), told.windows[now][0], "tick halo");
      }
    }
    text(4, top - 12, "kW", ""); text(4, begin - 9, "state of charge, %", "");
    for (const at of ticks(low, high, 6)) { path(`M${left} ${y(at)}H${right}`, "rule"); text(left - 5, y(at) + 4, written(at, 6).replace(/[.,]?0+$/, "") || "0", "tick end"); }
    for (const at of [0, 50, 100]) { path(`M${left} ${level(at)}H${right}`, "rule"); text(left - 5, level(at) + 4, `${at}`, "tick end"); }
    for (const [sign, how] of [[1, "sky"], [-1, "green"]]) path(`${stepped((at) => y(sign * Math.max(sign * kw(each.battery, at), 0)))}V${y(0)}H${left}z`, `area ${how}`);
    path(stepped((at) => y(kw(each.pv, at))), "line orange long"); path(stepped((at) => y(kw(3, at))), "line plain");
    path(stepped((at) => y(kw(each.net, at))), "line vermilion dash");
    path(steps.map((at, place) => `${place ? "L" : "M"}${x(place + 1).toFixed(1)} ${level(series[each.level][at] / 10).toFixed(1)}`).join(""), "line green");
    path(`M${left} ${y(0)}H${right}M${left} ${below}H${right}`, "axis");
    steps.forEach((at, place) => { if (minutes[at] % 240 === 0) { path(`M${x(place)} ${below}v4`, "axis"); text(x(place), below + 16, time(minutes[at]).replace(told.clock === 12 ? ":00" : "\0", ""), "tick middle"); } });
    parts.push(`<path class="axis at" d=""/>`);
    return `<svg class="figure" role="img" aria-label="${safe(`${each.name}: ${summary(each)}`)}" viewBox="0 0 460 ${below + 22}">${parts.join("")}</svg>`;
  }

  function table() {
    if (!details.open) return;
    const heads = ["time", "load kW", ...cases.flatMap((each) => ["PV kW", "battery kW", "import kW", "charge %"].map((what) => `${each.name}: ${what}`)), "window"];
    const row = (at) => [time(minutes[at]), written(kw(3, at), decimals), ...cases.flatMap((each) => [each.pv, each.battery, each.net].map((place) => written(kw(place, at), decimals)).concat(written(series[each.level][at] / 10, 1)))];
    details.lastElementChild.innerHTML = `<table><tr>${heads.map((head) => `<th scope="col">${safe(head)}</th>`).join("")}</tr>${steps.map((at) => `<tr>${row(at).map((cell) => `<td>${cell}</td>`).join("")}<td>${safe(doing(at))}</td></tr>`).join("")}</table>`;
  }

  function showTime(place) {
    const at = steps[place], of = (each) => `${each.name}: ${signed(kw(each.net, at), "import", "export")}, PV ${power(kw(each.pv, at))}, battery ${signed(kw(each.battery, at), "takes", "gives")} and is then ${written(series[each.level][at] / 10, 1)} % full`;
    timeSlider.value = place;
    ofTime.textContent = [`${time(minutes[at])}: load ${power(kw(3, at))}`, ...cases.map(of), `in force: ${doing(at)}`].join("\n");
    timeSlider.setAttribute("aria-valuetext", ofTime.textContent);
    const x = inside.left + (inside.right - inside.left) * (place + 0.5) / steps.length;
    for (const mark of charts.querySelectorAll(".at")) mark.setAttribute("d", `M${x} ${inside.top}V${inside.top + height.power + height.gap + height.level}`);
  }

  function showDay(chosen) {
    day = Math.min(Math.max(chosen, 0), days - 1); steps = stepsOf(day);
    const name = dateOf(day).toLocaleDateString("en-GB", { timeZone: "UTC", weekday: "long", day: "numeric", month: "long", year: "numeric" });
    field.value = dateOf(day).toISOString().slice(0, 10); daySlider.value = day;
    daySlider.setAttribute("aria-valuetext", `${name}: ${summary(ours)}`);
    ofDay.textContent = [name, ...cases.map((each) => `${each.name}: ${summary(each)}`)].join("\n");
    charts.innerHTML = cases.map(chart).join("");
    timeSlider.max = steps.length - 1;
    showTime(Math.min(+timeSlider.value, steps.length - 1)); table();
    const wide = (inside.right - inside.left) / days;
    for (const mark of box.querySelectorAll(".chosen")) { mark.setAttribute("width", Math.max(wide, 1.5)); mark.setAttribute("x", inside.left + wide * day); }
  }

  const shareAt = (svg, event) => { const frame = svg.getBoundingClientRect(), x = 460 * (event.clientX - frame.left) / frame.width; return Math.min(Math.max((x - inside.left) / (inside.right - inside.left), 0), 1 - 1e-9); };
  for (const svg of maps) svg.addEventListener("click", (event) => { showDay(Math.floor(days * shareAt(svg, event))); daySlider.focus({ preventScroll: true }); });
  charts.addEventListener("pointermove", (event) => { const svg = event.target.closest("svg"); if (svg) showTime(Math.floor(steps.length * shareAt(svg, event))); });
  daySlider.addEventListener("input", () => showDay(+daySlider.value));
  timeSlider.addEventListener("input", () => showTime(+timeSlider.value));
  field.addEventListener("change", () => { const chosen = Math.round((Date.parse(field.value) - Date.parse(told.first)) / 864e5); if (chosen >= 0 && chosen < days) showDay(chosen); });
  details.addEventListener("toggle", table);
  pick.hidden = false; box.querySelector(".without").hidden = true; box.classList.add("live");
  timeSlider.max = 1e6; timeSlider.value = Math.floor(720 / told.step);
  showDay(Math.floor(days / 2));
})();
