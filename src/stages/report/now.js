(() => {
"use strict";
// Clock times of the plan if it begins now; a page printed or without this script tells hours alone.
const now = Date.now();
const words = new Intl.DateTimeFormat(undefined, {weekday: "short", day: "numeric", month: "short", hour: "2-digit", minute: "2-digit"});
for (const place of document.querySelectorAll("time[data-after]")) {
  const when = new Date(now + 1000 * Number(place.dataset.after));
  place.dateTime = when.toISOString();
  place.textContent = words.format(when);
}
for (const place of document.querySelectorAll(".now")) {
  place.hidden = false;
}
})();
