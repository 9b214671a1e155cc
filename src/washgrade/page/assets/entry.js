// The form of one record: what the dictionary asks for, in the units that the person chose, each fault beside
// its field. What is half written is kept, too.
const ONE_TITLES = {samples: 'Sample', digs: 'Dig', looks: 'Look', storms: 'Storm'};

const two = (number) => String(number).padStart(2, '0');
const day_of = (moment) => `${moment.getFullYear()}-${two(moment.getMonth() + 1)}-${two(moment.getDate())}`;
const hour_of = (moment) => `${two(moment.getHours())}:${two(moment.getMinutes())}`;

// A moment with the offset that the clock of this place had then.
function moment_text(day, hour) {
  if (!hour) return day;
  const ahead = -new Date(`${day}T${hour}`).getTimezoneOffset();
  const size = Math.abs(ahead);
  return `${day}T${hour}:00${ahead < 0 ? '-' : '+'}${two(Math.floor(size / 60))}:${two(size % 60)}`;
}

// Plain numbers only, as the notebook reads them: a decimal comma is told, not guessed.
function read_number(text) {
  const told = text.trim();
  if (/^[+-]?\d*,\d+$/.test(told)) return {fault: `Write ${told.replace(',', '.')}: with a point, not a comma.`};
  if (!/^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$/.test(told)) return {fault: 'This must be a number.'};
  return {value: Number(told)};
}

function limit_words({at_least, at_most, above}, {factor, word}) {
  const told = (limit) => `${grouped(limit / factor, 0, 4)}${word ? ` ${word}` : ''}`;
  const least = above !== undefined ? `above ${told(above)}` : at_least !== undefined ? `${told(at_least)} or more` : '';
  const most = at_most !== undefined ? `${told(at_most)} at most` : '';
  return [least, most].filter(Boolean).join(' and ');
}

function field_part(field, {units, favourite, changed}) {
  const id = `entry-${field.name}`;
  const fault = make('p', {class: 'fault', id: `${id}-fault`, hidden: ''});
  const about = [fault.id];
  const rest = [];
  if (field.help) {
    about.push(`${id}-help`);
    rest.push(make('p', {class: 'help', id: `${id}-help`, text: field.help}));
  }
  const describe = {'aria-describedby': about.join(' ')};
  let node;
  let input;
  let unit = null;
  if (field.kind === 'flag') {
    input = make('input', {type: 'checkbox', id, ...describe});
    node = make('div', {class: 'field'}, make('label', {class: 'tick'}, input, make('span', {text: field.label})), ...rest, fault);
  } else if (field.kind === 'word') {
    input = make('select', {id, ...describe}, make('option', {value: '', text: 'choose …'}), ...field.choices.map((text) => make('option', {value: text, text})));
    node = make('div', {class: 'field'}, make('label', {for: id, text: field.label}), input, ...rest, fault);
  } else {
    input = make(field.name === 'note' ? 'textarea' : 'input', {id, autocomplete: 'off', ...describe, ...(field.name === 'note' ? {rows: 2} : {type: 'text'}), ...(field.kind === 'number' ? {inputmode: 'decimal'} : {})});
    const parts = [input];
    if (field.units?.length > 1) {
      unit = make('select', {'aria-label': `Unit of: ${field.label}`}, ...field.units.map(({column, word}) => make('option', {value: column, text: word})));
      unit.value = favourite[field.name] ?? field[units()];
      unit.addEventListener('change', () => { favourite[field.name] = unit.value; changed(); });
      parts.push(unit);
    } else if (field.units?.[0]?.word) {
      parts.push(make('span', {class: 'unit', text: field.units[0].word}));
    }
    node = make('div', {class: 'field'}, make('label', {for: id, text: field.label}), make('div', {class: 'measure'}, ...parts), ...rest, fault);
  }
  node.dataset.name = field.name;
  input.addEventListener('input', changed);
  const chosen = () => field.units?.find(({column}) => column === (unit?.value ?? field.units[0].column));
  return {
    field,
    node,
    focus: () => input.focus(),
    complain(text) {
      fault.hidden = !text;
      fault.textContent = text ?? '';
      if (text) input.setAttribute('aria-invalid', 'true');
      else input.removeAttribute('aria-invalid');
    },
    // As it goes into the file, and the same in the dictionary's own unit.
    read() {
      if (field.kind === 'flag') return input.checked ? {column: field.name, cell: 'yes', value: true} : {};
      const text = input.value.replace(/\s+/g, ' ').trim();
      if (!text) return {};
      if (field.kind !== 'number') return {column: field.name, cell: text, value: text};
      const {column, factor, word} = chosen();
      const {value, fault: wrong} = read_number(text);
      if (wrong) return {fault: wrong};
      const {at_least, at_most, above} = field;
      const good = !(at_least !== undefined && value < at_least / factor) && !(at_most !== undefined && value > at_most / factor)
        && !(above !== undefined && value <= above / factor);
      if (!good) return {fault: `This must be ${limit_words(field, {factor, word})}.`};
      return {column, cell: value, value: value * factor};
    },
    raw: () => (field.kind === 'flag' ? input.checked : input.value && {text: input.value, unit: unit?.value}),
    fill(raw) {
      if (field.kind === 'flag') input.checked = Boolean(raw);
      else if (raw) {
        input.value = raw.text;
        if (unit && raw.unit) unit.value = raw.unit;
      }
    },
  };
}

// From the cells of a record back to what stood in the fields.
function raw_of(form, cells) {
  const raw = {};
  for (const field of form.fields) {
    const column = (field.units ?? [{column: field.name}]).map((unit) => unit.column).find((name) => said(cells[name]));
    if (!column) continue;
    raw[field.name] = field.kind === 'flag' ? true : {text: String(cells[column]), unit: column};
  }
  return raw;
}

function entry_form(land, state, {form, entry, draft, favourite, mark, keep_draft, save, close}) {
  const units = () => state.units;
  const now = new Date();
  // Until the form stands, and after it is left, nothing that changes is a draft.
  let shut = true;
  const changed = () => { if (!shut) keep_draft(raw_all()); };
  const parts = form.fields.map((field) => field_part(field, {units, favourite, changed}));
  const day = make('input', {type: 'date', id: 'entry-day', max: day_of(now), 'aria-describedby': 'entry-day-fault'});
  const hour = make('input', {type: 'time', id: 'entry-hour', 'aria-describedby': 'entry-day-fault'});
  const day_fault = make('p', {class: 'fault', id: 'entry-day-fault', hidden: ''});
  for (const input of [day, hour]) input.addEventListener('input', changed);
  const optional = form.kind === 'storms';
  const where = place_part(land, {title: 'Place', by_reach: form.by_reach, optional, units, start: state.chosen, changed, mark});
  const end = form.stretch ? place_part(land, {title: 'Other end of a stretch', optional: true, units, start: -1, changed, mark() {}}) : null;
  const worst = make('p', {class: 'fault summary', role: 'alert', hidden: ''});
  const hidden = make('details', {class: 'more-fields'}, make('summary', {text: 'More'}), ...parts.filter(({field}) => field.more).map(({node}) => node), ...(end ? [end.node] : []));
  const title = `${entry ? 'Change this' : 'New'} ${form.one}`;

  const raw_all = () => ({
    day: day.value,
    hour: hour.value,
    place: where.get(),
    end: end?.get(),
    fields: Object.fromEntries(parts.map((part) => [part.field.name, part.raw()]).filter(([, raw]) => raw)),
  });

  function gather() {
    const cells = {};
    const values = {};
    const faults = [];
    if (!/^\d{4}-\d\d-\d\d$/.test(day.value)) faults.push({field: 'day', text: 'Give the day.'});
    else if (day.value > day_of(new Date())) faults.push({field: 'day', text: 'This day is still to come.'});
    else cells.time = moment_text(day.value, hour.value);
    const place = where.get();
    if (place?.reach) cells.reach = values.reach = place.reach;
    else if (place) {
      Object.assign(cells, {lon: Number(place.lon.toFixed(7)), lat: Number(place.lat.toFixed(7))});
      Object.assign(values, {lon: place.lon, lat: place.lat});
      if (place.accuracy_m !== undefined) cells.accuracy_m = Number(place.accuracy_m.toFixed(1));
    }
    const other = end?.get();
    if (other) {
      Object.assign(cells, {end_lon: Number(other.lon.toFixed(7)), end_lat: Number(other.lat.toFixed(7))});
      Object.assign(values, {end_lon: other.lon, end_lat: other.lat});
    }
    for (const part of parts) {
      const {column, cell, value, fault} = part.read();
      if (fault) {
        faults.push({field: part.field.name, text: fault});
        // It is there, if wrong: that it is missing need not be said as well.
        values[part.field.name] = NaN;
      } else if (column) {
        cells[column] = cell;
        values[part.field.name] = value;
      }
    }
    const told = judge(form.kind, values, land.entering).filter(({field}) => !faults.some((one) => one.field === field));
    const gauge = form.kind === 'storms' && !cells.no_flow && values.mark_depth_m === undefined && values.mark_width_m === undefined;
    if (place?.lat !== undefined && land.ground && !gauge && !inside(land.ground, place)) {
      told.push({field: 'where', text: 'This lies off the map’s ground; the notebook would refuse it. Is the sign of the longitude right?'});
    }
    return {cells, faults: [...faults, ...told]};
  }

  function complain(faults) {
    for (const part of parts) part.complain(faults.find(({field}) => field === part.field.name)?.text);
    where.complain(faults.find(({field}) => field === 'where')?.text);
    end?.complain(faults.find(({field}) => field === 'end')?.text);
    const when = faults.find(({field}) => field === 'day')?.text;
    day_fault.hidden = !when;
    day_fault.textContent = when ?? '';
    worst.hidden = !faults.length;
    worst.textContent = faults.length === 1 ? 'Not kept yet: one thing to mend.' : `Not kept yet: ${faults.length} things to mend.`;
    if (!faults.length) return;
    const first = parts.find(({field}) => field.name === faults[0].field);
    if (first?.field.more) hidden.open = true;
    if (first) first.focus();
    else if (faults[0].field === 'day') day.focus();
    else (faults[0].field === 'end' ? end : where).focus();
  }

  function leave() {
    shut = true;
    where.close();
    end?.close();
    close();
  }

  const node = make('form', {class: 'entry', novalidate: '', 'aria-label': title, on: {submit: async (event) => {
    event.preventDefault();
    const {cells, faults} = gather();
    complain(faults);
    if (faults.length) return;
    const done = await save({
      id: entry?.id ?? new_id(),
      kind: form.kind,
      one: form.one,
      map: land.title,
      made_at: entry?.made_at ?? new Date().toISOString(),
      changed_at: new Date().toISOString(),
      exported_at: '',
      cells,
    });
    if (done) leave();
    else {
      worst.hidden = false;
      worst.textContent = 'The browser could not keep it: its memory may be full. Leave this open and try again, or write it on paper.';
    }
  }}},
    make('header', {}, make('h2', {text: title})),
    make('div', {class: 'field when'}, make('label', {for: day.id, text: 'Day'}), day, make('label', {for: hour.id, text: form.kind === 'storms' ? 'Rain began at' : 'Time'}), hour, day_fault),
    where.node,
    ...parts.filter(({field}) => !field.more).map(({node: one}) => one),
    ...(hidden.children.length > 1 ? [hidden] : []),
    worst,
    make('div', {class: 'buttons'},
      make('button', {type: 'submit', class: 'strong', text: entry ? 'Keep the change' : 'Keep it'}),
      make('button', {type: 'button', text: entry ? 'Leave it as it was' : 'Throw away', on: {click: leave}})));

  const begun = draft ?? (entry && {
    day: entry.cells.time.slice(0, 10),
    hour: entry.cells.time.slice(11, 16),
    place: entry.cells.reach ? {reach: entry.cells.reach} : said(entry.cells.lat) ? {lat: entry.cells.lat, lon: entry.cells.lon, accuracy_m: entry.cells.accuracy_m} : null,
    end: said(entry.cells.end_lat) ? {lat: entry.cells.end_lat, lon: entry.cells.end_lon} : null,
    fields: raw_of(form, entry.cells),
  });
  day.value = begun ? begun.day : day_of(now);
  hour.value = begun ? begun.hour : form.kind === 'storms' ? '' : hour_of(now);
  if (begun) {
    if (begun.place) where.set(begun.place);
    if (begun.end) end?.set(begun.end);
    for (const part of parts) part.fill(begun.fields[part.field.name]);
    hidden.open = parts.some(({field}) => field.more && begun.fields[field.name]) || Boolean(begun.end);
  }
  shut = false;
  return {node, ask: where.ask, leave, focus: () => node.querySelector('h2').focus()};
}

const inside = ([west, south, east, north], {lat, lon}) => lon >= west && lon <= east && lat >= south && lat <= north;
