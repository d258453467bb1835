// Starts what the page at hand needs.

import { watch } from "./live.js";
import { start as startQueue } from "./queue.js";
import { start as startForms } from "./form.js";
import { start as startAlarm } from "./alarm.js";
import { start as startNetting } from "./netting.js";
import { start as startEntry } from "./entry.js";
import { start as startVisits } from "./start.js";
import { start as startCrew } from "./crew.js";

if (document.body.dataset.visit) {
  startQueue();
  startForms();
  startAlarm();
  startNetting();
  startEntry();
  watch();
} else if (document.body.dataset.crew) {
  startCrew();
} else {
  startVisits();
}
// Tests wait for this rather than for a time.
document.documentElement.dataset.ready = "true";
