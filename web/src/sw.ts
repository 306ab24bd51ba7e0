/**
 * Keeps the pages on the device, so that they open without a network and at once.
 *
 * Only the pages: what the workbench says (`/api`) always comes from the workbench.
 */

const worker = self as unknown as ServiceWorkerGlobalScope;

// The build writes both in here.
const files = 'FILES' as unknown as string[];
const kept = 'BUILD';

worker.addEventListener('install', (event) => {
  event.waitUntil(caches.open(kept).then((cache) => cache.addAll(files)));
  void worker.skipWaiting();
});

worker.addEventListener('activate', (event) => {
  const clean = caches
    .keys()
    .then((names) => Promise.all(names.filter((name) => name !== kept).map((name) => caches.delete(name))));
  event.waitUntil(clean.then(() => worker.clients.claim()));
});

worker.addEventListener('fetch', (event) => {
  const url = new URL(event.request.url);
  if (
    event.request.method !== 'GET' ||
    url.origin !== worker.location.origin ||
    url.pathname.startsWith('/api')
  )
    return;
  const name = event.request.mode === 'navigate' ? '/' : url.pathname;
  event.respondWith(answer(event.request, name));
});

/** The page itself is asked for first, so that a new program shows its new pages; its files never change. */
async function answer(request: Request, name: string): Promise<Response> {
  const cache = await caches.open(kept);
  if (name !== '/') return (await cache.match(name)) ?? fetch(request);
  try {
    return await fetch(request);
  } catch {
    return (await cache.match('/')) ?? Response.error();
  }
}
