// What was written down here: the bar with the buttons, the list, changing and undoing, and the way home.
function entries_part(land, state, {show_entry, redraw, mark}) {
  const {forms, known_ids = []} = land.entering;
  const form_of = (kind) => forms.find((form) => form.kind === kind);
  const home = new Set(known_ids);
  const store = open_store();
  const bar = document.getElementById('bar');
  const kept = document.getElementById('kept');
  const place = document.getElementById('entry');
  const section = document.getElementById('entries');
  const body = document.getElementById('entries-body');
  const note = document.getElementById('entries-note');
  const undo = document.getElementById('undo');
  let entries = [];
  let lasting = true;
  let opened = null;
  const favourite = {};

  const waiting = () => entries.filter((entry) => !entry.exported_at && !home.has(entry.id));
  // A browser may show several grounds from files: nothing written for another one is hidden.
  const is_here = (entry) => entry.map === land.title || (said(entry.cells.lat) && land.ground && inside(land.ground, {lat: entry.cells.lat, lon: entry.cells.lon}));

  function say(text, run, word = 'Undo') {
    undo.replaceChildren(make('span', {text}), ...(run ? [make('button', {type: 'button', text: word, on: {click: async () => { undo.hidden = true; await run(); }}})] : []),
      make('button', {type: 'button', class: 'close', 'aria-label': 'Close', text: '×', on: {click: () => { undo.hidden = true; }}}));
    undo.hidden = false;
  }

  async function put(...changed) {
    try {
      await store.put(...changed);
    } catch {
      return false;
    }
    await load();
    return true;
  }

  async function load() {
    lasting = await store.opened;
    try {
      entries = await store.entries();
    } catch {
      lasting = false;
    }
    entries.sort((a, b) => (a.cells.time < b.cells.time ? 1 : a.cells.time > b.cells.time ? -1 : a.made_at < b.made_at ? 1 : -1));
    fill();
    redraw(entries.filter(is_here));
  }

  function tell(entry) {
    const form = form_of(entry.kind);
    const told = [];
    for (const field of form?.fields ?? []) {
      for (const {column, word} of field.units ?? [{column: field.name, word: ''}]) {
        if (!said(entry.cells[column])) continue;
        told.push(field.kind === 'number' ? `${field.label}: ${entry.cells[column]}${word ? ` ${word}` : ''}` : field.kind === 'flag' ? field.label : entry.cells[column]);
      }
    }
    return told.join('; ');
  }

  function line(entry) {
    const {cells} = entry;
    const known = home.has(entry.id);
    const name = `${entry.one} of ${cells.time.slice(0, 10)}`;
    const button = (text, run) => make('button', {type: 'button', text, 'aria-label': `${text}: ${name}`, on: {click: run}});
    const buttons = [];
    if (said(cells.lat) && is_here(entry)) buttons.push(button('Show', () => show_entry(entry)));
    if (!entry.exported_at && !known) {
      buttons.push(button('Change', () => open(entry.kind, {entry})), button('Delete', () => remove(entry)));
    }
    const status = known ? 'in the notebook' : entry.exported_at ? 'exported; to mend it, strike it at home' : '';
    return make('li', {'data-id': entry.id},
      make('div', {}, make('b', {text: `${ONE_TITLES[entry.kind] ?? entry.one} ${cells.time.slice(0, 16).replace('T', ' ')}`}), ' ',
        make('span', {text: [cells.reach ? `reach ${cells.reach}` : '', tell(entry)].filter(Boolean).join('; ')}),
        ...(status ? [' ', make('small', {text: `(${status})`})] : []),
        ...(entry.map === land.title ? [] : [' ', make('small', {text: `(written on the map “${entry.map}”)`})])),
      make('div', {class: 'buttons'}, ...buttons));
  }

  function fill() {
    const count = waiting().length;
    kept.textContent = lasting ? `${grouped(count, 0, 0)} to export` : `${grouped(count, 0, 0)}, not kept!`;
    kept.setAttribute('aria-label', `${count} ${count === 1 ? 'entry' : 'entries'} not exported yet; show the list`);
    kept.classList.toggle('some', count > 0);
    note.textContent = !lasting
      ? 'This browser keeps nothing for this page: export before you close it.'
      : entries.length ? 'Kept in this browser only, until you export them. Clearing the browser’s data deletes them.'
        : 'Nothing written down yet. Start with one of the buttons above; it works without network.';
    document.getElementById('entries-out').hidden = entries.length === 0;
    document.getElementById('entries-home').hidden = !entries.some((entry) => home.has(entry.id) || entry.exported_at);
    document.getElementById('share').hidden = !shareable(waiting(), 'entries');
    body.replaceChildren(...entries.map(line));
  }

  async function remove(entry) {
    await store.remove(entry.id);
    await load();
    say(`The ${entry.one} was deleted.`, () => put(entry));
  }

  async function take_out(form) {
    const some = waiting();
    const list = some.length ? some : entries;
    const now = new Date();
    const name = `entries-${day_of(now)}-${hour_of(now).replace(':', '')}`;
    if (form === 'share') {
      const file = shareable(list, name);
      try {
        await navigator.share({files: [file], title: file.name});
      } catch {
        // Closed without sending: nothing has left the phone.
        return;
      }
      await after(some, 'Shared', name);
      return;
    }
    const file = file_of(form, list, name);
    download(file);
    await after(some, 'Saved', file.name);
  }

  async function after(some, word, name) {
    const marked = some.map((entry) => ({...entry, exported_at: new Date().toISOString()}));
    if (marked.length) await put(...marked);
    say(`${word}: ${name}. At home: washgrade add SITE ${name}`, some.length ? () => put(...some) : null, 'It is not there');
  }

  // Only what has gone out already may be cleared, and it can be put back while the page is open.
  async function clear() {
    const gone = entries.filter((entry) => home.has(entry.id) || entry.exported_at);
    await store.remove(...gone.map((entry) => entry.id));
    await load();
    say(`${gone.length} cleared from this browser.`, () => put(...gone));
  }

  function open(kind, {entry = null, draft = null} = {}) {
    opened?.leave();
    const form = form_of(kind);
    let last = Promise.resolve();
    opened = entry_form(land, state, {
      form,
      entry,
      draft,
      favourite,
      mark,
      // One after the other, so that the last stroke stands.
      keep_draft(raw) { last = last.then(() => store.put_draft({kind: 'draft', of: kind, id: entry?.id ?? '', raw})).catch(() => {}); },
      save: async (made) => {
        const good = await put(made);
        // Asks the browser not to clear it when room runs short; not every browser does, and none has to.
        if (good) navigator.storage?.persist?.().catch(() => {});
        if (good) say(`${ONE_TITLES[kind]} kept on this phone.`, () => (entry ? put(entry) : store.remove(made.id).then(load)));
        return good;
      },
      close() {
        opened = null;
        mark(null);
        place.hidden = true;
        place.replaceChildren();
        last = last.then(() => store.drop_draft('draft')).catch(() => {});
        last.then(() => store.put_draft({kind: 'units', favourite})).catch(() => {});
        kept.focus();
      },
    });
    place.replaceChildren(opened.node);
    place.hidden = false;
    document.querySelector('.ledger').scrollTo({top: 0});
    opened.node.querySelector('h2').setAttribute('tabindex', '-1');
    opened.focus();
    if (entry || draft) return;
    // Where the phone may tell its position already, it begins by itself.
    navigator.permissions?.query({name: 'geolocation'}).then(({state: allowed}) => {
      if (allowed === 'granted' && kind !== 'storms' && opened) opened.ask('here');
    }).catch(() => {});
  }

  bar.hidden = false;
  for (const form of forms) {
    document.getElementById('bar-kinds').append(make('button', {type: 'button', 'data-kind': form.kind, 'aria-label': `Write down a ${form.one}`, text: ONE_TITLES[form.kind], on: {click: () => open(form.kind)}}));
  }
  kept.addEventListener('click', () => {
    section.hidden = false;
    section.querySelector('details').open = true;
    section.scrollIntoView({block: 'start'});
    section.querySelector('summary').focus();
  });
  document.getElementById('entries-clear').addEventListener('click', clear);
  document.getElementById('share').addEventListener('click', () => take_out('share'));
  for (const form of Object.keys(FORMATS)) document.getElementById(`save-${form}`).addEventListener('click', () => take_out(form));
  // Another tab, or the same map opened again, may have written meanwhile.
  document.addEventListener('visibilitychange', () => document.visibilityState === 'visible' && load());
  section.hidden = false;

  load().then(async () => {
    for (const draft of await store.drafts()) {
      if (draft.kind === 'units') Object.assign(favourite, draft.favourite);
      if (draft.kind !== 'draft' || !form_of(draft.of)) continue;
      const entry = entries.find(({id}) => id === draft.id) ?? null;
      if (opened || (draft.id && !entry)) continue;
      open(draft.of, {entry, draft: draft.raw});
      say(`Brought back: the ${form_of(draft.of).one} that was not finished.`);
    }
  }).catch(() => {});
  return {open, close: () => opened?.leave(), is_open: () => Boolean(opened)};
}
