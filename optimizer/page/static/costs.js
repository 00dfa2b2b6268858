// While rates are typed, the week follows, and what is wrong is told at its field.
"use strict";

const sheet = document.querySelector("form.sheet");
const painted = document.getElementById("painted");
const PAUSE_MS = 150;
let asked = 0;
let waiting = 0;

function tell(field, kind, words) {
  const id = `${field.id}-${kind}`;
  let told = document.getElementById(id);
  if (!words) {
    if (told) told.remove();
  } else {
    if (!told) {
      told = document.createElement("p");
      told.id = id;
      told.className = kind === "typed" ? "finding" : "noted";
      const row = field.closest("table.rates tr");
      if (row) row.nextElementSibling.firstElementChild.append(told);
      else field.insertAdjacentElement("afterend", told);
    }
    if (told.textContent !== words) told.textContent = words;
  }
}

function mark(field, words) {
  tell(field, "typed", words);
  if (words) {
    field.setAttribute("aria-invalid", "true");
    field.setAttribute("aria-describedby", `${field.id}-typed`);
  } else if (field.getAttribute("aria-describedby") === `${field.id}-typed`) {
    field.removeAttribute("aria-invalid");
    field.removeAttribute("aria-describedby");
  }
}

async function look() {
  const number = ++asked;
  const answer = await fetch(sheet.dataset.look, { method: "POST", body: new FormData(sheet) });
  if (!answer.ok || number !== asked) return;
  const now = await answer.json();
  painted.innerHTML = now.painted;
  for (const field of sheet.querySelectorAll("input[id], select[id], textarea[id]")) {
    for (const before of document.querySelectorAll(`[id="${field.id}-wrong"]`)) before.remove();
    if ((field.getAttribute("aria-describedby") || "").startsWith(`${field.id}-wrong`)) {
      field.removeAttribute("aria-invalid");
      field.removeAttribute("aria-describedby");
    }
    mark(field, now.wrong[field.id] || "");
    for (const note of document.querySelectorAll(`[data-noted="${field.id}"]`)) note.remove();
    if (!field.id.endsWith(".night")) tell(field, "noted", now.noted[field.id] || "");
  }
  sheet.querySelector(".told").textContent = now.told;
}

sheet.addEventListener("input", () => {
  clearTimeout(waiting);
  waiting = setTimeout(look, PAUSE_MS);
});
