// Only adds to what works without it.
"use strict";

// What is wrong is read first, and its field is one key away.
const wrong = document.querySelector("section.wrong");
if (wrong) {
  wrong.tabIndex = -1;
  wrong.focus();
}
