// What script adds: progress without reloading, a fresh page when a record arrives, printing, size checks.
'use strict';

const ASK_EVERY_MS = 2000;
const STEP_EVERY_MS = 400;
const STAYS_MS = 4000;

async function ask(address) {
  const answer = await fetch(address, {headers: {accept: 'application/json'}});
  if (!answer.ok) throw new Error(String(answer.status));
  return answer.json();
}

function follow(section) {
  const step = document.getElementById('step');
  const look = async () => {
    let told;
    try {
      told = await ask(`/jobs/${section.dataset.job}/state`);
    } catch {
      setTimeout(look, ASK_EVERY_MS);
      return;
    }
    if (told.over) {
      location.reload();
      // Where the answer is a file, the browser puts it away and this page stays.
      setTimeout(() => {
        section.textContent = 'Done. If a file was to come of it, it is among your downloads.';
      }, STAYS_MS);
      return;
    }
    if (step) {
      step.textContent = told.step || 'waiting for the work before it';
      document.getElementById('share').value = told.share;
      document.getElementById('percent').textContent = `${Math.round(100 * told.share)} %`;
      section.querySelector('button').disabled = !told.may_cancel;
    }
    setTimeout(look, STEP_EVERY_MS);
  };
  setTimeout(look, STEP_EVERY_MS);
}

// A page with results shows itself again when a record or a setting has changed, whoever changed it.
function keep_fresh(stamp) {
  const look = async () => {
    try {
      const told = await ask('/state');
      if (told.stamp !== stamp && document.visibilityState === 'visible') {
        location.reload();
        return;
      }
    } catch {
      // The desk may be closed; when it is back, the page is asked for again.
    }
    setTimeout(look, ASK_EVERY_MS);
  };
  setTimeout(look, ASK_EVERY_MS);
}

function check_size(input) {
  const most = Number(input.dataset.mostBytes);
  input.addEventListener('change', () => {
    const bytes = [...input.files].reduce((sum, file) => sum + file.size, 0);
    const text = bytes > most ? `The files are larger than ${Math.round(most / 1e6).toLocaleString('en-US')} MB together. ${input.dataset.instead}` : '';
    input.setCustomValidity(text);
    if (text) input.reportValidity();
  });
}

for (const section of document.querySelectorAll('[data-job]')) follow(section);
if (document.body.dataset.stamp) keep_fresh(document.body.dataset.stamp);
for (const button of document.querySelectorAll('[data-print]')) {
  button.hidden = false;
  button.addEventListener('click', () => window.print());
}
for (const input of document.querySelectorAll('input[type=file][data-most-bytes]')) check_size(input);
// A form that is being sent is sent once.
for (const form of document.querySelectorAll('form[method=post]')) {
  form.addEventListener('submit', () => {
    setTimeout(() => form.querySelectorAll('button').forEach((button) => { button.disabled = true; }), 0);
  });
}
const faults = document.querySelector('[role=alert][tabindex]');
if (faults) faults.focus();
// A page that the browser kept and shows again can be sent again.
addEventListener('pageshow', (event) => {
  if (event.persisted) document.querySelectorAll('form[method=post] button').forEach((button) => { button.disabled = false; });
});
