// Only adds to what works without it.
"use strict";

// What is wrong is read first, and its field is one key away.
const wrong = document.querySelector("section.wrong[role=alert]");
if (wrong) {
  wrong.tabIndex = -1;
  wrong.focus();
}

// Files can be dropped where they are chosen.
for (const place of document.querySelectorAll(".drop")) {
  const field = place.querySelector("input[type=file]");
  const mark = (event, is_over) => {
    event.preventDefault();
    place.classList.toggle("over", is_over);
  };
  place.addEventListener("dragover", (event) => mark(event, true));
  place.addEventListener("dragleave", (event) => mark(event, false));
  place.addEventListener("drop", (event) => {
    mark(event, false);
    field.files = event.dataTransfer.files;
    field.dispatchEvent(new Event("change", { bubbles: true }));
  });
}

// How far the job is, told by the server.
const job = document.querySelector("[data-progress]");
if (job) {
  const told = new EventSource(job.dataset.progress);
  const show = (where, text) => {
    const place = job.querySelector(where);
    if (place.textContent !== text) place.textContent = text;
  };
  told.onmessage = (event) => {
    const now = JSON.parse(event.data);
    job.querySelector("progress").value = now.percent;
    show(".percent", now.percent);
    show(".what", now.what);
    show(".saved-so-far", now.saved);
    show(".left", now.left);
  };
  told.addEventListener("ended", () => {
    told.close();
    location.reload();
  });
}
