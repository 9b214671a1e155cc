// The legend, and with it the switches of the layers.
function line_key(grade_class, doubt, width = 40, tint = GRADE_COLOURS[grade_class], edge = CASINGS[grade_class]) {
  const thick = 4.2;
  const stroke = {x1: 3, x2: width - 3, y1: 7, y2: 7, 'stroke-linecap': doubt === 1 ? 'butt' : 'round'};
  const dash = DOUBT_DASH[doubt].map((n) => n * thick).join(' ');
  return draw(
    'svg',
    {width, height: 14, viewBox: `0 0 ${width} 14`, 'aria-hidden': 'true'},
    draw('line', {...stroke, 'stroke-linecap': 'round', stroke: edge, 'stroke-width': thick + 2.4}),
    draw('line', {...stroke, stroke: tint, 'stroke-width': thick, ...(dash ? {'stroke-dasharray': dash} : {})}),
  );
}

function mark_key(paint, width = 26) {
  const canvas = document.createElement('canvas');
  canvas.width = 2 * width;
  canvas.height = 48;
  canvas.className = 'key';
  canvas.style.width = `${width}px`;
  canvas.style.height = '24px';
  canvas.setAttribute('aria-hidden', 'true');
  const pen = canvas.getContext('2d');
  pen.scale(2, 2);
  paint(pen);
  return canvas;
}

function theme_key(theme, n, width = 40) {
  const {tint, edge} = theme_colours(theme)[n];
  return line_key(0, 0, width, tint, edge);
}

function legend(land, sheet, relief, state, {set_theme, set_day, save}) {
  const [firm, rough] = land.doubt_limits;
  const doubts = [`up to ${firm} times: fairly sure`, `up to ${rough} times: rough`, 'more: a guess'];
  const item = (key, text) => make('li', {}, key, make('span', {text}));
  const layer = (name, keys, text, change) => {
    const box = make('input', {type: 'checkbox', name, on: {change: () => change(box.checked)}});
    box.checked = sheet.shown[name] ?? true;
    return make('li', {class: keys.length ? '' : 'no-key'}, make('label', {}, box, ...keys.map((paint) => mark_key(paint)), make('span', {text})));
  };
  const on_sheet = (name) => (shown) => {
    sheet.shown[name] = shown;
    sheet.redraw();
  };
  const layers = [layer('badges', [(pen) => badge(pen, 13, 12, '1', false)], `The best ${land.top}`, on_sheet('badges'))];
  if (land.samples.length) {
    const hollow = land.samples.some((mark) => mark.grade === null);
    const keys = [(pen) => sample_mark(pen, 13, 12, {grade: 0.1}, 3)];
    if (hollow) keys.push((pen) => sample_mark(pen, 13, 12, {grade: null}, 0));
    layers.push(layer('samples', keys, hollow ? 'Samples (white: trace)' : 'Samples', on_sheet('samples')));
  }
  if (land.walk) layers.push(layer('walk', [(pen) => { walk_line(pen, [[0, 12], [26, 12]]); walk_stop(pen, 13, 12, '1'); }], 'Sampling walk', on_sheet('walk')));
  if (land.day_plan) layers.push(layer('day', [(pen) => { walk_line(pen, [[0, 12], [26, 12]], DAY); walk_stop(pen, 13, 12, '1', DAY); }], 'Digging day', on_sheet('day')));
  if (land.next_spots.length) layers.push(layer('next', [(pen) => next_mark(pen, 13, 12, '')], 'Sample next', on_sheet('next')));
  if (land.access.length) layers.push(layer('access', [(pen) => access_mark(pen, 7, 23, '')], 'Access', on_sheet('access')));
  const bounds = [];
  if (land.property.length) {
    bounds.push((pen) => {
      pen.setLineDash([14, 4, 2, 4]);
      pen.lineWidth = 2;
      pen.strokeStyle = BOUND;
      pen.strokeRect(-4, 12, 60, 40);
    });
  }
  if (land.no_go.length) {
    bounds.push((pen) => {
      pen.fillStyle = hatch(pen);
      pen.fillRect(2, 4, 22, 16);
      pen.strokeStyle = NO_GO;
      pen.lineWidth = 1.6;
      pen.strokeRect(2, 4, 22, 16);
    });
  }
  if (bounds.length) {
    const text = [land.property.length && 'property', land.no_go.length && 'keep out'].filter(Boolean).join('; ');
    layers.push(layer('bounds', bounds, text[0].toUpperCase() + text.slice(1), on_sheet('bounds')));
  }
  if (land.sources.length) {
    layers.push(layer('sources', [(pen) => {
      pen.beginPath();
      pen.rect(3, 4, 20, 16);
      pen.fillStyle = stipple(pen, GRADE_COLOURS[land.grade_class(land.sources[0].grade)]);
      pen.fill();
      source_edge(pen);
    }], 'Known sources', on_sheet('sources')));
  }
  if (land.marks.length) {
    layers.push(layer('marks', [(pen) => mend_mark(pen, [[4, 12], [22, 12]], 'cut')], 'Mended ground', on_sheet('marks')));
  }
  if (land.entering) layers.push(layer('entries', [(pen) => entry_mark(pen, 13, 12)], 'Written here', on_sheet('entries')));
  layers.push(layer('reaches', [], 'Washes', on_sheet('reaches')));
  if (relief) layers.push(layer('relief', [], 'Relief', (shown) => relief.setOpacity(shown ? 1 : 0)));
  const offered = themes_of(land);
  const choice = make('select', {id: 'theme', 'aria-label': 'What the colour of the washes tells', on: {change: () => set_theme(offered.find(({key}) => key === choice.value))}},
    ...offered.map(({key, title}) => make('option', {value: key, text: title})));
  const classes = make('ul', {});
  const head = make('h3', {});
  const doubt_part = make('div', {}, make('h3', {text: 'High guess against low'}), make('ul', {}, ...doubts.map((text, n) => item(line_key(3, n), text)),
    ...(land.depleted.some(Boolean) ? [item(mark_key((pen) => cross(pen, 20, 12), 40), 'worked out')] : [])));
  const tools = [make('button', {type: 'button', id: 'save-picture', text: 'Save as picture', on: {click: save}}), make('button', {type: 'button', text: 'Print', on: {click: () => window.print()}})];
  const days = [];
  if (land.other) {
    for (const [value, text] of [[false, land.day], [true, [land.other.day, land.other.told].filter(Boolean).join(', ')]]) {
      const radio = make('input', {type: 'radio', name: 'as-of', value: value ? 'other' : 'own', on: {change: () => set_day(value)}});
      radio.checked = !value;
      days.push(make('label', {class: 'tick'}, radio, make('span', {text})));
    }
  }
  document.getElementById('legend-body').append(
    make('div', {}, make('label', {class: 'choose'}, make('span', {class: 'unseen', text: 'Colour of the washes'}), choice), head, classes),
    make('div', {}, doubt_part, ...(days.length ? [make('fieldset', {class: 'days'}, make('legend', {text: 'Day'}), ...days)] : []), make('div', {class: 'buttons'}, ...tools)),
    make('div', {}, make('h3', {text: 'Marks and layers'}), make('ul', {class: 'layers'}, ...layers)),
  );
  return {
    fill() {
      const {theme} = lines;
      head.textContent = theme.head + theme_unit(theme, state.units);
      const words = theme_words(theme, state.units);
      classes.replaceChildren(...words.map((text, n) => item(theme_key(theme, n), text)),
        ...(theme.key === 'fresh' || theme.key === 'left' ? [item(theme_key(theme, words.length), 'not known')] : []));
      doubt_part.hidden = !theme.dashed;
    },
  };
}
