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
    data: { batch: alert.batch || null },
  }));
});
self.addEventListener('notificationclick', (event) => {
  event.notification.close();
  const { batch } = event.notification.data || {};
  const url = new URL(batch ? `/batches/${encodeURIComponent(batch)}` : '/', self.location.origin).href;
  event.waitUntil((async () => {
    const open = await self.clients.matchAll({ type: 'window' });
    const here = open.find((c) => c.url.split('?')[0] === url) || open[0];
    if (!here) return self.clients.openWindow(url);
    await here.focus();
    return here.navigate(url);
  })());
});
