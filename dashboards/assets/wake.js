// "Wake this phone": subscribes this browser to pushes where it can be done, and says in words
// where it cannot. Says on every page that asks whether this very phone is subscribed.
const WORKER = '/worker.js';

function worker() {
  // The one script address that this page may hand to the browser.
  const policy = window.trustedTypes
    ? window.trustedTypes.createPolicy('doughwarden', {
      createScriptURL: (url) => {
        if (url !== WORKER) throw new TypeError('not our worker');
        return url;
      },
    })
    : { createScriptURL: (url) => url };
  return navigator.serviceWorker.register(policy.createScriptURL(WORKER), { scope: '/' });
}

const able = window.isSecureContext && 'serviceWorker' in navigator && 'PushManager' in window && 'Notification' in window;

async function ours() {
  if (!able) return null;
  const registration = await navigator.serviceWorker.getRegistration('/');
  return registration ? registration.pushManager.getSubscription() : null;
}

async function send(path, body) {
  const answer = await fetch(path, { method: 'POST', headers: { 'content-type': 'application/json' }, body: JSON.stringify(body) });
  if (!answer.ok) {
    const problem = await answer.json().catch(() => ({}));
    throw new Error(problem.detail || `refused (${answer.status})`);
  }
}

async function subscribe() {
  if (await Notification.requestPermission() !== 'granted') throw new Error('The browser was told not to show notices of this page.');
  await worker();
  const registration = await navigator.serviceWorker.ready;
  const { key } = await (await fetch('/api/v1/push/key')).json();
  const subscription = await registration.pushManager.subscribe({ userVisibleOnly: true, applicationServerKey: key });
  const { endpoint, keys } = subscription.toJSON();
  await send('/api/v1/push/subscribe', { endpoint, keys, name: document.getElementById('phone-name').value || 'A phone' });
}

async function start() {
  const box = document.getElementById('wake');
  const subscription = await ours().catch(() => null);
  // On the first page: this phone, not just some phone.
  const line = document.getElementById('this-phone');
  if (line && subscription) {
    const known = await fetch('/api/v1/push/phones').then((a) => a.json()).catch(() => []);
    const me = known.find((p) => p.endpoint === subscription.endpoint);
    if (me && me.on_duty) line.textContent = 'This phone is signed up to be woken.';
  }
  if (!box) return;
  const words = document.getElementById('wake-words');
  const button = document.getElementById('wake-button');
  if (!able) {
    words.textContent = window.isSecureContext
      ? 'This browser cannot be woken by a page. On some phones it can once the page is added to the home screen.'
      : 'Browsers let a page wake a phone only over https. Set a certificate in the configuration, or use a webhook.';
    return;
  }
  box.hidden = false;
  if (subscription) words.textContent = 'This phone is signed up. Send a test with the screen off.';
  button.addEventListener('click', async () => {
    button.disabled = true;
    try {
      await subscribe();
      location.reload();
    } catch (error) {
      words.textContent = error.message;
      button.disabled = false;
    }
  });
}
start();
