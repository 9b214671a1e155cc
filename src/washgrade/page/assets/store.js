// What was written down, kept in this browser. IndexedDB and not localStorage: it tells when a record is truly
// on the disk (a strict transaction), where localStorage may lose the last seconds when a phone shuts the
// browser down; and both Chromium and Firefox give it to pages from file://. Without it (a private window of
// an old browser, a viewer of attachments) entries live as long as the page, and the page says so.
const STORE = 'washgrade-entries';

function open_store() {
  const memory = {entries: new Map(), drafts: new Map()};
  let base = null;
  const opened = new Promise((done) => {
    let asked;
    try {
      asked = indexedDB.open(STORE, 1);
    } catch {
      done(null);
      return;
    }
    asked.onupgradeneeded = () => {
      asked.result.createObjectStore('entries', {keyPath: 'id'});
      asked.result.createObjectStore('drafts', {keyPath: 'kind'});
    };
    asked.onsuccess = () => done(asked.result);
    asked.onerror = () => done(null);
    // A blocked opening never answers in some browsers.
    setTimeout(() => done(null), 4000);
  }).then((found) => {
    base = found;
    // Another tab with a later page may want to change the store: let it.
    if (base) base.onversionchange = () => base.close();
    return Boolean(base);
  });

  const change = (work) => new Promise((done, fail) => {
    const deal = base.transaction(['entries', 'drafts'], 'readwrite', {durability: 'strict'});
    work(deal);
    deal.oncomplete = () => done();
    deal.onabort = deal.onerror = () => fail(deal.error ?? new Error('not kept'));
  });
  const all = (name) => new Promise((done, fail) => {
    const asked = base.transaction(name, 'readonly').objectStore(name).getAll();
    asked.onsuccess = () => done(asked.result);
    asked.onerror = () => fail(asked.error);
  });
  return {
    opened,
    async entries() {
      return (await opened) ? all('entries') : [...memory.entries.values()];
    },
    async drafts() {
      return (await opened) ? all('drafts') : [...memory.drafts.values()];
    },
    async put(...entries) {
      if (await opened) await change((deal) => entries.forEach((entry) => deal.objectStore('entries').put(entry)));
      else entries.forEach((entry) => memory.entries.set(entry.id, entry));
    },
    async remove(...ids) {
      if (await opened) await change((deal) => ids.forEach((id) => deal.objectStore('entries').delete(id)));
      else ids.forEach((id) => memory.entries.delete(id));
    },
    async put_draft(draft) {
      if (await opened) await change((deal) => deal.objectStore('drafts').put(draft));
      else memory.drafts.set(draft.kind, draft);
    },
    async drop_draft(kind) {
      if (await opened) await change((deal) => deal.objectStore('drafts').delete(kind));
      else memory.drafts.delete(kind);
    },
  };
}

// Version 4 of RFC 9562, section 5.4. randomUUID is missing on pages from a plain http host.
function new_id() {
  if (crypto.randomUUID) return crypto.randomUUID();
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  bytes[6] = (bytes[6] & 15) | 64;
  bytes[8] = (bytes[8] & 63) | 128;
  const hex = Array.from(bytes, (byte) => byte.toString(16).padStart(2, '0')).join('');
  return [[0, 8], [8, 12], [12, 16], [16, 20], [20, 32]].map(([from, to]) => hex.slice(from, to)).join('-');
}
