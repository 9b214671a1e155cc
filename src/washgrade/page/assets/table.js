// The ranking: every reach can be sorted, found and reached by keyboard; only a stretch of rows exists at a time.
const FIRST = 30;
const STRETCH = 100;

function ranking(land, state, choose) {
  // By name: the columns are others when another day is shown.
  const number = (name) => (a, b) => {
    // Unknown values stay last whichever way the rest is turned.
    const [one, two] = [land[name][a], land[name][b]];
    if (Number.isNaN(one) || Number.isNaN(two)) return NaN;
    return one - two;
  };
  const byname = new Intl.Collator('en', {numeric: true});
  const spread = (a, b) => land.grade_p90[a] / Math.max(land.grade_p10[a], 1e-9) - land.grade_p90[b] / Math.max(land.grade_p10[b], 1e-9);
  const loads = (reach) => (Number.isFinite(land.loads_left[reach]) ? grouped(land.loads_left[reach], 0, 0) : '–');
  const load = (name, reach) => load_amount(land[name][reach], state.units);
  const columns = [
    {head: () => '#', cell: (r) => grouped(land.rank[r], 0, 0), order: number('rank'), rising: true},
    {head: () => 'Reach', order: (a, b) => byname.compare(land.reach[a], land.reach[b]), rising: true},
    {head: () => `${load_unit(state.units)} per load`, cell: (r) => load('kg_per_load_mean', r), order: number('kg_per_load_mean')},
    {head: () => '8 in 10', cell: (r) => `${load('kg_per_load_p10', r)}–${load('kg_per_load_p90', r)}`, order: spread, rising: true, hint: 'surest first'},
    {head: () => 'Grade', cell: (r) => `${grouped(100 * land.grade_mean[r], 1, 1)} %`, order: number('grade_mean')},
    {head: () => `In best ${land.top}`, cell: (r) => (land.chance_top[r] < 0.01 ? '<1 %' : `${Math.round(100 * land.chance_top[r])} %`), order: number('chance_top'), hint: 'chance'},
    {head: () => 'Loads left', cell: loads, order: number('loads_left'), wide: true},
  ];
  const head = document.querySelector('#table thead tr');
  const body = document.querySelector('#table tbody');
  const earlier = document.getElementById('earlier');
  const later = document.getElementById('later');
  const found = document.getElementById('found');
  const find = document.getElementById('find');
  const hide = document.getElementById('hide-depleted');
  let sorted = {column: 0, rising: true};
  let order = land.by_rank;
  let first = 0;
  let last = FIRST;

  // Made when somebody looks for something: it takes long with many reaches.
  let haystack = null;
  const searched = () => land.reach.map((name, r) => [name, land.support[r], DOUBT_WORDS[land.doubt(r)], ...land.notes[r]].join(' ').toLowerCase());

  columns.forEach((column, n) => {
    const button = make('button', {type: 'button', on: {click: () => {
      sorted = {column: n, rising: sorted.column === n ? !sorted.rising : Boolean(column.rising)};
      arrange();
    }}});
    head.append(make('th', {scope: 'col', class: column.wide ? 'wide' : ''}, button));
  });
  const mark_heads = () => columns.forEach((column, n) => {
    const cell = head.children[n];
    cell.firstChild.textContent = column.head();
    if (column.hint) cell.firstChild.setAttribute('title', column.hint);
    if (sorted.column === n) cell.setAttribute('aria-sort', sorted.rising ? 'ascending' : 'descending');
    else cell.removeAttribute('aria-sort');
  });

  function row(reach) {
    const why = land.closed[reach] ? 'closed' : land.depleted[reach] ? 'worked out' : '';
    const line = make('tr', {'data-reach': reach, class: why ? 'gone' : '', on: {click: () => choose(reach, {from: 'table'})}});
    columns.forEach((column, n) => {
      if (n === 1) {
        const gone = why ? [make('span', {text: why === 'closed' ? '⊘ ' : '× ', title: why}, make('span', {class: 'unseen', text: why}))] : [];
        const key = line_key(land.grade_class(land.grade_mean[reach]), land.doubt(reach));
        line.append(make('th', {scope: 'row'}, make('button', {type: 'button'}, key, make('span', {text: land.reach[reach]}), ...gone)));
      } else {
        line.append(make('td', {text: column.cell(reach), class: column.wide ? 'wide' : ''}));
      }
    });
    if (reach === state.chosen) line.setAttribute('aria-current', 'true');
    return line;
  }

  function fill() {
    mark_heads();
    body.replaceChildren(...order.slice(first, last).map(row));
    earlier.hidden = first === 0;
    earlier.textContent = `Show ${Math.min(STRETCH, first)} before these`;
    later.hidden = last >= order.length;
    later.textContent = `Show ${Math.min(STRETCH, order.length - last)} more`;
    found.textContent = order.length === land.count
      ? counted(land.count, 'reach', 'reaches')
      : `${grouped(order.length, 0, 0)} of ${counted(land.count, 'reach', 'reaches')}${order.length ? '' : '. Clear the box to see all.'}`;
  }

  function arrange() {
    const words = find.value.toLowerCase().split(/\s+/).filter(Boolean);
    if (words.length) haystack ??= searched();
    const way = sorted.rising ? 1 : -1;
    const {order: compare} = columns[sorted.column];
    const value = columns[sorted.column].order;
    order = land.by_rank
      .filter((reach) => !(hide.checked && land.depleted[reach]) && words.every((word) => haystack[reach].includes(word)))
      .sort((a, b) => {
        const difference = compare(a, b);
        if (!Number.isNaN(difference)) return way * difference || land.rank[a] - land.rank[b];
        return Number(Number.isNaN(value(a, a))) - Number(Number.isNaN(value(b, b))) || land.rank[a] - land.rank[b];
      });
    first = 0;
    last = FIRST;
    fill();
  }

  find.addEventListener('input', arrange);
  hide.addEventListener('change', arrange);
  earlier.addEventListener('click', () => {
    first = Math.max(0, first - STRETCH);
    fill();
  });
  later.addEventListener('click', () => {
    const next = last;
    last += STRETCH;
    fill();
    // The button has moved away: the keyboard goes on with the first new row.
    body.children[next - first]?.querySelector('button').focus({preventScroll: true});
  });

  return {
    fill,
    arrange() {
      haystack = null;
      arrange();
    },
    mark(reach, reveal) {
      body.querySelector('[aria-current]')?.removeAttribute('aria-current');
      const at = order.indexOf(reach);
      if (at < 0) return;
      if (reveal && (at < first || at >= last)) {
        first = Math.max(0, at - STRETCH / 2);
        last = first + STRETCH;
        fill();
      }
      const line = body.children[at - first];
      line?.setAttribute('aria-current', 'true');
      if (reveal) line?.scrollIntoView({block: 'nearest'});
    },
    focus(reach) {
      body.querySelector(`[data-reach='${reach}'] button`)?.focus();
    },
  };
}

// The samples as a list, made when it is opened: the way to them without the map.
function sample_list(land, state, show_on_map) {
  const fold = document.getElementById('samples');
  const place = document.getElementById('samples-body');
  fold.querySelector('summary').textContent = `Samples (${grouped(land.samples.length, 0, 0)})`;
  if (!land.samples.length) {
    place.append(make('p', {class: 'nothing', text: 'No sample yet. Take some where the map is least sure: the dotted lines.'}));
    return {fill() {}};
  }
  const body = make('tbody');
  const heads = ['Day', 'Grade', 'Layer', 'Place and note', 'Map'].map((text) => make('th', {scope: 'col', text}));
  const more = make('button', {type: 'button', class: 'more'});
  let shown = 0;
  const add = () => {
    for (const mark of land.samples.slice(shown, shown + STRETCH)) {
      const note = [mark.place, mark.note].filter(Boolean).join(': ');
      const cell = (text) => make('td', {text, class: 'figure'});
      body.append(make('tr', {}, cell(mark.day), cell(sample_words(mark)), cell(layer_words(mark, state.units)), make('td', {text: note}),
        make('td', {}, make('button', {type: 'button', text: 'Show', 'aria-label': `Show the sample of ${mark.day} on the map`, on: {click: () => show_on_map(mark)}}))));
    }
    shown += STRETCH;
    more.hidden = shown >= land.samples.length;
    more.textContent = `Show ${Math.min(STRETCH, land.samples.length - shown)} more`;
  };
  more.addEventListener('click', add);
  place.append(make('table', {}, make('thead', {}, make('tr', {}, ...heads)), body), more);
  fold.addEventListener('toggle', () => fold.open && shown === 0 && add());
  // Write the rows that are open anew, in the units that hold now.
  return {fill() { if (shown) { body.replaceChildren(); shown = 0; add(); } }};
}

// What was done to the DEM so that water finds its way: to be confirmed, or forbidden, by who knows the place.
function mend_list(land, state, show_on_map) {
  const section = document.getElementById('mends');
  section.hidden = land.marks.length === 0;
  section.querySelector('summary').textContent = `Mended ground (${grouped(land.marks.length, 0, 0)})`;
  const body = make('tbody');
  const heads = ['Name', 'What', 'Long', 'Deep', 'Map'].map((text) => make('th', {scope: 'col', text}));
  document.getElementById('mends-body').append(
    make('p', {text: 'Where the height map dams a wash, as a road over a culvert does, a way was cut through; other hollows were filled, and small holes in the map closed from the ground around. Look at each: a dam that really holds water is kept with --keep-dam, a hollow where water stays or sinks with --sink, when the ground is built.'}),
    make('table', {}, make('thead', {}, make('tr', {}, ...heads)), body));
  const fill = () => body.replaceChildren(...land.marks.map((mark) => make('tr', {},
    make('td', {text: mark.name}),
    make('td', {text: {cut: 'cut open', hollow: `filled: ${mark.why}`, hole: 'hole closed'}[mark.kind]}),
    make('td', {text: mark.length_m === null ? '' : show('length', mark.length_m, state.units), class: 'figure'}),
    make('td', {text: mark.depth_m === null ? '' : show(mark.depth_m < 1 ? 'depth' : 'length', mark.depth_m, state.units), class: 'figure'}),
    make('td', {class: 'figure'}, make('button', {type: 'button', text: 'Show', 'aria-label': `Show ${mark.name} on the map`, on: {click: () => show_on_map(mark)}})))));
  fill();
  return {fill};
}
