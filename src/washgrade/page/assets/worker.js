// Keeps the page on the phone: after the first visit it opens without network. One version at a time; a newer
// one is fetched beside it and takes over when all windows of the old one are closed.
const VERSION = '$version';
const FILES = $files;

self.addEventListener('install', (event) => {
  // Past the browser's own cache, or a host's long expiry would bring the old page under a new name.
  event.waitUntil(caches.open(VERSION).then((cache) => cache.addAll(FILES.map((name) => new Request(name, {cache: 'reload'})))));
});

self.addEventListener('activate', (event) => {
  event.waitUntil(
    caches.keys()
      .then((names) => Promise.all(names.filter((name) => name.startsWith('washgrade-') && name !== VERSION).map((name) => caches.delete(name))))
      .then(() => self.clients.claim()),
  );
});

// From the phone always; the network is asked only for what was never kept.
self.addEventListener('fetch', (event) => {
  if (event.request.method !== 'GET') return;
  event.respondWith(
    caches.open(VERSION)
      .then((cache) => cache.match(event.request, {ignoreSearch: true}))
      .then((found) => found ?? fetch(event.request)),
  );
});
