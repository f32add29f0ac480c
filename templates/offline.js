// Pages that were looked at on this device, for when the connection is gone. Nothing is sent from here.
'use strict';
const KEPT = 'bench-pages';
const KEEPS = /^\/(s|c|list|wash|static)\//;

self.addEventListener('install', () => self.skipWaiting());
self.addEventListener('activate', event => event.waitUntil(self.clients.claim()));
self.addEventListener('fetch', event => {
  const url = new URL(event.request.url);
  if (event.request.method !== 'GET' || url.origin !== location.origin || !KEEPS.test(url.pathname)) return;
  const key = url.origin + url.pathname;
  event.respondWith(fetch(event.request).then(answer => {
    if (answer.ok && !answer.redirected) {
      const copy = answer.clone();
      event.waitUntil(caches.open(KEPT).then(kept => kept.put(key, copy)));
    }
    return answer;
  }, error => caches.match(key).then(found => {
    if (found) return found;
    throw error;
  })));
});
