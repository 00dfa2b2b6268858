// Windows are moved by pointer or keys; the form is the truth, the server works out what it comes to.
"use strict";

for (const button of document.querySelectorAll("button.print")) {
  button.hidden = false;
  button.addEventListener("click", () => print());
}

const form = document.getElementById("trying");
if (form) {
  const DAY = 1440;
  const NEAR = 40; // so far from a handle it can be taken hold of [px]
  const places = ["bill", "days", "reasons", "year", "windows"].map((id) => document.getElementById(id));
  const charts = document.getElementById("charts");
  const field = (name) => form.elements.namedItem(name);
  document.documentElement.classList.add("scripted");

  // --- asking: one request at a time, then the latest state ---
  let asking = false;
  let again = false;
  let wanted = "";
  async function ask(what = "") {
    wanted = what || wanted;
    if (asking) {
      again = true;
      return;
    }
    asking = true;
    const data = new URLSearchParams(new FormData(form));
    const done = wanted;
    if (done) data.set("do", done);
    if (moving) data.set("moving", "1");
    wanted = "";
    const begun = performance.now();
    try {
      const answer = await fetch(form.dataset.live, { method: "POST", body: data });
      if (answer.ok) show(await answer.json(), done);
      performance.measure("tried", { start: begun, end: performance.now() });
    } finally {
      asking = false;
      if (again) {
        again = false;
        ask();
      }
    }
  }

  // The fields are drawn anew where windows come, go or do something else; what is typed meanwhile stays.
  function show(told, done) {
    const at = mark(document.activeElement);
    for (const place of places) {
      const html = told.fragments[place.id];
      if (html !== undefined) place.innerHTML = html;
    }
    for (const old of form.querySelectorAll(".told-now")) old.remove();
    if (!done) {
      for (const old of form.querySelectorAll("[aria-invalid]")) {
        old.removeAttribute("aria-invalid");
        old.removeAttribute("aria-describedby");
      }
      for (const old of form.querySelectorAll(".finding")) old.remove();
      for (const each of told.wrong) tell(each);
    }
    const to = at && form.querySelector(at);
    if (to && to !== document.activeElement) to.focus({ preventScroll: true });
  }

  function tell({ field: name, told }) {
    const place = document.getElementById(name) || places[0];
    const words = document.createElement("p");
    words.className = "finding told-now";
    words.id = `${name}-wrong`;
    words.textContent = told;
    const is_field = place.matches("input, select");
    if (is_field) {
      place.setAttribute("aria-invalid", "true");
      place.setAttribute("aria-describedby", words.id);
    }
    if (is_field || place.matches("h2")) place.after(words);
    else place.append(words);
  }

  // What has the focus, as words by which it is found when it was drawn anew.
  function mark(element) {
    if (!element || !form.contains(element)) return "";
    if (element.dataset.field) return `[data-field="${element.dataset.field}"]`;
    if (element.matches(".cursor")) return `#${element.closest("#year") ? "year" : "days"} .cursor`;
    return element.id ? `[id="${element.id}"]` : "";
  }

  // --- moving ---
  const two = (number) => String(number).padStart(2, "0");
  const words = (minute) => `${two(Math.floor(minute / 60))}:${two(minute % 60)}`;
  function read(text) {
    const [hour, minute] = text.split(":").map(Number);
    return 60 * hour + minute;
  }
  function put(handle, minute) {
    const step = Number(handle.dataset.step);
    const is_end = handle.dataset.field.endsWith(".end");
    let at = (((Math.round(minute / step) * step) % DAY) + DAY) % DAY;
    if (is_end && at === 0) at = DAY;
    const into = field(handle.dataset.field);
    if (!into || into.value === words(at)) return;
    into.value = words(at);
    const svg = handle.ownerSVGElement;
    const shift = (at - Number(handle.getAttribute("aria-valuenow"))) / 60;
    const { left, right, hours } = svg.dataset;
    handle.setAttribute("transform", `translate(${(shift * (right - left)) / hours} 0)`);
    ask();
  }

  // Where a pointer is, in the drawing's own lengths.
  function place_in(svg, event) {
    const box = svg.getBoundingClientRect();
    const scale = svg.viewBox.baseVal.width / box.width;
    const x = (event.clientX - box.left) * scale;
    return { share: (x - svg.dataset.left) / (svg.dataset.right - svg.dataset.left), y: event.clientY };
  }
  const within = (element, y) => {
    const box = element.getBoundingClientRect();
    return y >= box.top && y <= box.bottom;
  };
  function nearest(svg, event) {
    const far = (handle) => {
      const box = handle.querySelector(".grip").getBoundingClientRect();
      return within(handle, event.clientY) ? Math.abs(event.clientX - (box.left + box.right) / 2) : Infinity;
    };
    const all = [...svg.querySelectorAll(".handle")].sort((one, other) => far(one) - far(other));
    return all.length && far(all[0]) <= NEAR ? all[0] : null;
  }

  let moving = "";
  charts.addEventListener("pointerdown", (event) => {
    const svg = event.target.closest("svg[data-left]");
    if (!svg || event.button > 0) return;
    if (svg.dataset.days) {
      choose_day(svg, Math.floor(place_in(svg, event).share * svg.dataset.days));
      return;
    }
    const handle = nearest(svg, event);
    if (handle) {
      moving = handle.dataset.field;
      charts.setPointerCapture(event.pointerId);
      handle.focus({ preventScroll: true });
      event.preventDefault();
      return;
    }
    const cursor = svg.querySelector(".cursor");
    if (cursor && within(cursor, event.clientY)) {
      choose_step(cursor, Math.floor(place_in(svg, event).share * (Number(cursor.getAttribute("aria-valuemax")) + 1)));
    }
  });
  // The handle under a finger is drawn anew meanwhile, and with it goes what its style says of scrolling.
  charts.addEventListener("touchstart", (event) => moving && event.preventDefault(), { passive: false });
  charts.addEventListener("pointermove", (event) => {
    if (!moving) return;
    const handle = charts.querySelector(`[data-field="${moving}"]`);
    const { share } = place_in(handle.ownerSVGElement, event);
    put(handle, Math.min(Math.max(share * handle.ownerSVGElement.dataset.hours * 60, 0), DAY));
  });
  for (const end of ["pointerup", "pointercancel"]) {
    charts.addEventListener(end, () => {
      if (!moving) return;
      moving = "";
      ask();
    });
  }

  const KEYS = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1 };
  charts.addEventListener("keydown", (event) => {
    const slider = event.target.closest("[role=slider]");
    if (!slider) return;
    const pages = { PageUp: 1, PageDown: -1 }[event.key];
    const steps = KEYS[event.key];
    if (!pages && !steps) return;
    event.preventDefault();
    const svg = slider.ownerSVGElement;
    if (slider.dataset.field) {
      const now = read(field(slider.dataset.field).value);
      put(slider, now + (pages ? 60 * pages : steps * slider.dataset.step));
      return;
    }
    const now = Number(slider.getAttribute("aria-valuenow"));
    if (svg.dataset.days) choose_day(svg, now + (pages ? 7 * pages : steps));
    else choose_step(slider, now + (pages ? pages * Math.round((Number(slider.getAttribute("aria-valuemax")) + 1) / svg.dataset.hours) : steps));
  });

  // --- choosing ---
  function choose_day(svg, day) {
    const at = Math.min(Math.max(day, 0), svg.dataset.days - 1);
    const date = new Date(`${svg.dataset.first}T00:00:00Z`);
    date.setUTCDate(date.getUTCDate() + at);
    field("date").value = date.toISOString().slice(0, 10);
    field("shown").value = "day";
    ask();
  }
  function choose_step(cursor, step) {
    const { dataset } = cursor.ownerSVGElement;
    const count = Number(cursor.getAttribute("aria-valuemax")) + 1;
    const at = Math.min(Math.max(step, 0), count - 1);
    field("at").value = words(Math.round((at * 60 * dataset.hours) / count) % DAY);
    ask();
  }

  form.addEventListener("change", (event) => {
    if (event.target.name === "keep") return;
    if (event.target.name === "date") field("shown").value = "day";
    ask(/\.action$|^shown$/.test(event.target.name) ? "fields" : "");
  });
  form.addEventListener("submit", (event) => {
    const button = event.submitter;
    if (!button || button.name !== "do" || button.value === "card") return;
    event.preventDefault();
    ask(button.value);
  });
}
