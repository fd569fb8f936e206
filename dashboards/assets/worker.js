// Shows an alert though no page is open. Runs at the site's root so that it may answer for it.
self.addEventListener('push', (event) => {
  let alert = {};
  try {
    alert = event.data.json();
  } catch { /* shown without words rather than not at all */ }
  const cleared = alert.state === 'cleared';
  event.waitUntil(self.registration.showNotification(alert.title || 'Look at the dough', {
    body: alert.text || '',
    // One event is one notice: what comes later about it replaces it.
    tag: alert.id || 'alert',
    renotify: !cleared && Boolean(alert.id),
    silent: cleared,
    requireInteraction: alert.severity === 'urgent' && !cleared,
    data: { id: alert.id || null, link: alert.link || null },
    actions: cleared || alert.alert === 'test' || !alert.id ? [] : [
      { action: 'acknowledge', title: 'Seen' },
      { action: 'remind', title: 'In 10 minutes' },
    ],
  }));
});
self.addEventListener('notificationclick', (event) => {
  event.notification.close();
  const { id, link } = event.notification.data || {};
  if (event.action && id) {
    // Floury hands: answered from the notice, for everyone; where that fails the page is opened.
    event.waitUntil(fetch(`/api/v1/alerts/${encodeURIComponent(id)}/${event.action}`, { method: 'POST', credentials: 'same-origin' })
      .then((answer) => { if (!answer.ok) throw new Error(answer.status); })
      .catch(() => self.clients.openWindow('/')));
    return;
  }
  // The link's own way on whatever address this page was installed from.
  let path = '/';
  try { path = new URL(link).pathname; } catch { /* the first page has every alert */ }
  const url = new URL(path, self.location.origin).href;
  event.waitUntil((async () => {
    const open = await self.clients.matchAll({ type: 'window' });
    const here = open.find((c) => c.url.split('?')[0] === url) || open[0];
    if (!here) return self.clients.openWindow(url);
    await here.focus();
    return here.navigate(url);
  })());
});
