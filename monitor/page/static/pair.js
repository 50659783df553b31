// A slider and its number show the same. Without this script the one that was changed counts.
"use strict";
for (const one of document.querySelectorAll("[data-pair]")) {
  const other = document.getElementById(one.dataset.pair);
  if (other) one.addEventListener("input", () => { other.value = one.value.replace(",", "."); });
}
