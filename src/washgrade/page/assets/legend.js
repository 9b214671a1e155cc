// The legend, and with it the switches of the layers.
function line_key(grade_class, doubt, width = 40) {
  const thick = 4.2;
  const stroke = {x1: 3, x2: width - 3, y1: 7, y2: 7, 'stroke-linecap': doubt === 1 ? 'butt' : 'round'};
  const dash = DOUBT_DASH[doubt].map((n) => n * thick).join(' ');
  return draw(
    'svg',
    {width, height: 14, viewBox: `0 0 ${width} 14`, 'aria-hidden': 'true'},
    draw('line', {...stroke, 'stroke-linecap': 'round', stroke: CASINGS[grade_class], 'stroke-width': thick + 2.4}),
    draw('line', {...stroke, stroke: GRADE_COLOURS[grade_class], 'stroke-width': thick, ...(dash ? {'stroke-dasharray': dash} : {})}),
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

function legend(land, sheet, relief) {
  const limits = land.class_limits.map((limit) => grouped(100 * limit, 0, 1));
  const classes = ['under ' + limits[0], ...limits.map((limit, n) => (limits[n + 1] ? `${limit} to ${limits[n + 1]}` : `over ${limit}`))];
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
    layers.push(layer('samples', keys, hollow ? 'Samples; white: trace or none' : 'Samples', on_sheet('samples')));
  }
  if (land.walk) layers.push(layer('walk', [(pen) => { walk_line(pen, [[0, 12], [26, 12]]); walk_stop(pen, 13, 12, '1'); }], 'Sampling walk', on_sheet('walk')));
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
  if (land.marks.length) {
    layers.push(layer('marks', [(pen) => mend_mark(pen, [[4, 12], [22, 12]], 'cut')], 'Mended ground', on_sheet('marks')));
  }
  layers.push(layer('reaches', [], 'Washes', on_sheet('reaches')));
  if (relief) layers.push(layer('relief', [], 'Relief', (shown) => relief.setOpacity(shown ? 1 : 0)));
  document.getElementById('legend-body').append(
    make('div', {}, make('h3', {text: 'Expected grade, %'}), make('ul', {}, ...classes.map((text, n) => item(line_key(n, 0), text)))),
    make('div', {}, make('h3', {text: 'High guess against low'}), make('ul', {}, ...doubts.map((text, n) => item(line_key(3, n), text)),
      ...(land.depleted.some(Boolean) ? [item(mark_key((pen) => cross(pen, 20, 12), 40), 'worked out')] : []))),
    make('div', {}, make('h3', {text: 'Marks and layers'}), make('ul', {class: 'layers'}, ...layers)),
  );
}
