// Keeps the page fresh: listens to the event stream and fetches this very page again, putting its
// live regions in place of the old ones. Nothing is built from text here: the document is parsed
// by the browser as a document, so no markup from the wire is ever written as markup by script.
import { drawCharts, refreshCharts } from './charts.js';

const CALM_MS = 400; // changes within this are shown together
const REST_MS = 1000; // from one showing to the next, at least
const CHART_MS = 5000; // from one drawing of the charts to the next, at least
const SLOW_MS = 20000; // without any event the ages still move

function fetchPage(url) {
  return new Promise((resolve, reject) => {
    const request = new XMLHttpRequest();
    request.open('GET', url);
    request.responseType = 'document';
    request.timeout = 15000;
    request.onload = () => (request.status === 200 && request.response ? resolve(request.response) : reject(new Error(String(request.status))));
    request.onerror = request.ontimeout = () => reject(new Error('away'));
    request.send();
  });
}

function busy(region) {
  // Someone is typing or has opened something here: do not pull it from under their hands.
  const focus = document.activeElement;
  const typing = focus && region.contains(focus) && focus.matches('input, select, textarea');
  return typing || region.querySelector('details[open] form') !== null;
}

function openings(region) {
  return [...region.querySelectorAll('details')].map((d) => d.open);
}

function place(fresh) {
  const ids = (doc) => [...doc.querySelectorAll('[data-live]')].map((e) => e.id);
  for (const id of ids(document)) {
    const old = document.getElementById(id);
    const now = fresh.getElementById(id);
    if (!old || !now || busy(old)) continue;
    const open = openings(old);
    const next = document.adoptNode(now);
    const details = [...next.querySelectorAll('details')];
    if (details.length === open.length) details.forEach((d, i) => { d.open = open[i]; });
    if (!old.isEqualNode(next)) old.replaceWith(next);
  }
  document.title = fresh.title;
  // Navigation holds the count of alerts not seen.
  const nav = document.querySelector('header nav');
  const freshNav = fresh.querySelector('header nav');
  if (nav && freshNav && !nav.contains(document.activeElement) && !nav.isEqualNode(freshNav)) nav.replaceWith(document.adoptNode(freshNav));
  // A batch that went on to another part of its life has other buttons: load it anew, unless
  // someone is in the middle of a form.
  const shape = (doc) => [...doc.querySelectorAll('main [name=do]')].map((b) => b.value).join();
  const focus = document.activeElement;
  if (shape(document) !== shape(fresh) && !(focus && focus.matches('input, select, textarea')) && !document.querySelector('main details[open] form')) location.reload();
}

let pending = false;
let running = false;
let shownAt = 0;
let drawnAt = 0;
async function refresh() {
  pending = false;
  if (document.hidden || document.body.hasAttribute('data-still')) return;
  if (running) { soon(); return; }
  running = true;
  shownAt = performance.now();
  try {
    // A mark of what was just done belongs to the first showing only.
    const url = new URL(location.href);
    for (const once of ['done', 'undo']) url.searchParams.delete(once);
    const fresh = await fetchPage(url.pathname + url.search);
    // Signed out elsewhere: the door came instead.
    if (fresh.getElementById('sign-in')) { location.reload(); return; }
    place(fresh);
    clock(fresh);
    state('');
    if (shownAt - drawnAt > CHART_MS) {
      drawnAt = shownAt;
      await refreshCharts();
    }
  } catch (error) {
    state(error.message === '401' ? 'Signed out: open the page again.' : 'No connection: what you see is old.');
  } finally {
    running = false;
  }
}
function soon() {
  if (pending) return;
  pending = true;
  setTimeout(refresh, Math.max(CALM_MS, shownAt + REST_MS - performance.now()));
}
function state(text) {
  document.body.toggleAttribute('data-away', text !== '');
  for (const line of document.querySelectorAll('.live-state')) line.textContent = text;
}

// The machine's clock beside this phone's: a minute apart, the one who looks is asked.
const APART_MS = 60000;
function clock(fresh) {
  const made = fresh.getElementById('made');
  const line = document.getElementById('clock');
  const words = document.getElementById('clock-differs');
  if (!made || !line || !words || !made.dataset.now) return;
  const apart = Math.abs(Date.now() - Number(made.dataset.now));
  const minutes = Math.round(apart / 60000);
  words.textContent = minutes < 120 ? `${minutes} min` : `${Math.round(minutes / 60)} h`;
  line.hidden = apart < APART_MS || made.hasAttribute('data-own-time');
}
document.addEventListener('submit', (event) => {
  const phone = event.target.querySelector('[name=phone_ms]');
  const typed = event.target.querySelector('[name=typed]');
  // What was typed wins over what this phone says.
  if (phone && !(typed && typed.value)) phone.value = String(Date.now());
});

let source = null;
function listen() {
  if (source) source.close();
  source = new EventSource('/api/v1/events');
  for (const name of ['readings', 'book', 'sensors', 'forecast', 'settings']) source.addEventListener(name, soon);
  source.addEventListener('reset', soon);
  source.addEventListener('alert', (event) => { soon(); ring(event.data); });
  source.onopen = soon;
  source.onerror = () => {
    state('No connection: what you see is old.');
    // A stream that was refused is not tried again by the browser.
    if (source && source.readyState === EventSource.CLOSED) setTimeout(() => { if (source) listen(); }, 3000);
  };
}

// Ringing: browsers allow sound only after a tap on this page.
let sound = null;
const ringLine = document.querySelector('p.ring');
const ringButton = document.getElementById('ring');
if (ringLine && ringButton && 'AudioContext' in window) {
  ringLine.hidden = false;
  ringButton.addEventListener('click', async () => {
    sound = new AudioContext();
    await sound.resume();
    beep(0.15);
    ringButton.textContent = 'This page rings while it is open';
    ringButton.disabled = true;
    try {
      if ('wakeLock' in navigator) await navigator.wakeLock.request('screen');
    } catch { /* the phone keeps its own counsel about its screen */ }
  });
}
function beep(seconds) {
  if (!sound) return;
  const tone = sound.createOscillator();
  const level = sound.createGain();
  level.gain.value = 0.3;
  tone.frequency.value = 740;
  tone.connect(level).connect(sound.destination);
  tone.start();
  tone.stop(sound.currentTime + seconds);
}
function ring(text) {
  try {
    const alert = JSON.parse(text);
    if (!['raised', 'repeated'].includes(alert.state)) return;
    beep(alert.severity === 'urgent' ? 2 : 0.8);
    if (sound && 'vibrate' in navigator) navigator.vibrate([300, 150, 300]);
  } catch { /* not an alert we understand */ }
}

// Floury thumbs tap twice: a form goes out once.
document.addEventListener('submit', (event) => {
  const form = event.target;
  if (form.dataset.sent) { event.preventDefault(); return; }
  form.dataset.sent = 'yes';
  setTimeout(() => { delete form.dataset.sent; }, 4000);
});
// Typing minutes or a clock time chooses that way of saying when.
document.addEventListener('input', (event) => {
  const choice = event.target.closest('.when .choice');
  const radio = choice && choice.querySelector('input[type=radio]');
  if (radio && event.target !== radio) radio.checked = true;
});
document.addEventListener('focusin', (event) => {
  const choice = event.target.closest('.when .choice');
  const radio = choice && choice.querySelector('input[type=radio]');
  if (radio && event.target.matches('.short')) radio.checked = true;
});

// A browser has six connections to one host, and keeps left pages alive for "back": a page that
// nobody looks at gives its stream back, unless it is to ring.
function rest() {
  if (source) source.close();
  source = null;
}
document.addEventListener('visibilitychange', () => {
  if (document.hidden) { if (!sound) rest(); return; }
  if (!source) listen();
  soon();
});
window.addEventListener('pagehide', rest);
window.addEventListener('pageshow', (event) => { if (event.persisted) listen(); });
setInterval(soon, SLOW_MS);
listen();
drawCharts();
