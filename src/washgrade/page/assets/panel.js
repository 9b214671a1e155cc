// One reach in plain words, and the pop-ups of the samples.
const nth = (n) => `${n}${n % 100 > 10 && n % 100 < 14 ? 'th' : ['th', 'st', 'nd', 'rd'][n % 10] ?? 'th'}`;

// Where the guesses lie, on a scale that gives the small grades room: the square root of the share.
function span_picture(land, reach) {
  const [left, width, top] = [6, 440, 18];
  const most = Math.max(0.3, Math.min(1, land.grade_p90[reach] * 1.1));
  const at = (grade) => left + width * Math.sqrt(Math.min(grade, most) / most);
  const edges = [0, ...land.class_limits.filter((limit) => limit < most), most];
  const [low, mean, high] = [land.grade_p10[reach], land.grade_mean[reach], land.grade_p90[reach]];
  const picture = draw('svg', {
    class: 'span',
    viewBox: '0 0 452 58',
    role: 'img',
    'aria-label': `Grade: expected ${percent(mean)}, 8 times in 10 between ${percent(low)} and ${percent(high)}`,
  });
  edges.slice(0, -1).forEach((edge, n) => {
    picture.append(
      draw('rect', {x: at(edge), y: top + 12, width: at(edges[n + 1]) - at(edge), height: 8, fill: GRADE_COLOURS[n]}),
      draw('text', {x: at(edge), y: top + 34, 'font-size': 12, 'text-anchor': n ? 'middle' : 'start', fill: INK, text: `${grouped(100 * edge, 0, 0)} %`}),
    );
  });
  picture.append(
    draw('line', {x1: at(low), x2: at(high), y1: top, y2: top, stroke: INK, 'stroke-width': 3}),
    draw('line', {x1: at(low), x2: at(low), y1: top - 7, y2: top + 7, stroke: INK, 'stroke-width': 3}),
    draw('line', {x1: at(high), x2: at(high), y1: top - 7, y2: top + 7, stroke: INK, 'stroke-width': 3}),
    draw('circle', {cx: at(mean), cy: top, r: 7, fill: CHOSEN, stroke: INK, 'stroke-width': 2}),
  );
  return picture;
}

// The ground across the reach, seen looking downstream; heights are stretched where it is flat, and that is said.
function section_picture(section, width_m, measured, units) {
  const known = section.heights.filter(Number.isFinite);
  if (known.length < 3) return null;
  const [left, wide, top, tall] = [8, 436, 16, 84];
  const per_m = wide / (2 * section.half_m);
  const rise_m = Math.max(...known);
  // Whole numbers are told apart at a glance; beyond ten times a bank looks like a cliff.
  const times = Math.max(1, Math.min(10, Math.floor(tall / (Math.max(rise_m, 0.05) * per_m))));
  const scale = Math.min(times * per_m, tall / Math.max(rise_m, 0.05));
  const floor = top + tall;
  const at = (n) => left + (wide * n) / (section.heights.length - 1);
  const spots = [];
  section.heights.forEach((height, n) => {
    if (Number.isFinite(height)) spots.push(`${at(n).toFixed(1)},${(floor - height * scale).toFixed(1)}`);
  });
  const first = section.heights.findIndex(Number.isFinite);
  const last = section.heights.findLastIndex(Number.isFinite);
  const text = (x, y, anchor, words) => draw('text', {x, y, 'font-size': 12, 'text-anchor': anchor, fill: INK, text: words});
  const picture = draw('svg', {
    class: 'span',
    viewBox: `0 0 452 ${floor + 40}`,
    role: 'img',
    'aria-label': `Across the reach, looking downstream: the ground rises ${show('length', rise_m, units)} within ${show('length', section.half_m, units)} to each side`,
  });
  picture.append(
    draw('polygon', {points: `${at(first)},${floor + 4} ${spots.join(' ')} ${at(last)},${floor + 4}`, class: 'earth'}),
    draw('polyline', {points: spots.join(' '), fill: 'none', stroke: INK, 'stroke-width': 2, 'stroke-linejoin': 'round'}));
  if (Number.isFinite(width_m)) {
    const half = Math.min(wide / 2, (width_m * per_m) / 2);
    const middle = left + wide / 2;
    picture.append(
      draw('line', {x1: middle - half, x2: middle + half, y1: floor + 10, y2: floor + 10, stroke: CHOSEN, 'stroke-width': 5}),
      text(middle, floor + 27, 'middle', `bed ${measured ? '' : 'about '}${show('length', width_m, units)}`));
  }
  const stretched = Math.round(scale / per_m);
  picture.append(
    text(left, 11, 'start', `left, +${show('length', section.heights[first], units)}`),
    text(left + wide, 11, 'end', `right, +${show('length', section.heights[last], units)}`),
    text(left + wide / 2, 11, 'middle', stretched > 1 ? `heights drawn ${stretched} times` : ''),
    text(left, floor + 27, 'start', `${show('length', section.half_m, units)} to the left`),
    text(left + wide, floor + 27, 'end', `${show('length', section.half_m, units)} to the right`));
  return picture;
}

// The same as the command line's: who weighs, what the land adds; below 3 percent is not said.
function reasons_of(land, reach, units) {
  const found = land.why_of.get(reach);
  if (!found) return [];
  const told = [];
  const said = found.weighty.filter(({weight}) => Math.abs(weight) >= 0.03);
  if (said.length) {
    const names = said.map(({id, weight, away_m}) => `${id} (${Math.round(100 * weight)} %${Number.isFinite(away_m) ? `, ${show('length', away_m, units)} away` : ''})`);
    told.push(`Samples that weigh most: ${names.join(', ')}.`);
  }
  const adds = found.land_adds.filter(({share}) => Math.abs(share) >= 0.03).sort((a, b) => Math.abs(b.share) - Math.abs(a.share));
  if (adds.length) {
    told.push(`The ground adds or takes: ${adds.map(({name, share}) => `${name} ${share > 0 ? '+' : '−'}${Math.round(100 * Math.abs(share))} %`).join(', ')}.`);
  }
  return told;
}

// The layers of a hole from the bed down; a bar ends at the grade, a line shows where 8 in 10 scoops would lie.
function hole_picture(hole, units) {
  const [left, wide, top] = [64, 324, 20];
  const most = Math.max(0.02, Math.min(1, 1.1 * Math.max(...hole.high_grade)));
  const deep_m = hole.bottom_m.at(-1);
  const tall = Math.min(150, Math.max(60, 26 * hole.grade.length));
  const across = (grade) => left + wide * Math.sqrt(Math.min(grade, most) / most);
  const down = (depth_m) => top + (tall * depth_m) / deep_m;
  const text = (x, y, anchor, words) => draw('text', {x, y, 'font-size': 12, 'text-anchor': anchor, fill: INK, text: words});
  const picture = draw('svg', {class: 'span', viewBox: `0 0 452 ${top + tall + 10}`, role: 'img',
    'aria-label': `Layers from the bed down: ${hole.grade.map((grade, n) => `${percent(grade)} from ${show('depth', hole.top_m[n], units)} to ${show('depth', hole.bottom_m[n], units)}`).join('; ')}`});
  picture.append(text(left, 12, 'start', 'grade'), text(left - 6, 12, 'end', 'depth'));
  hole.grade.forEach((grade, n) => {
    const [y, bottom] = [down(hole.top_m[n]), down(hole.bottom_m[n])];
    const shade = GRADE_COLOURS[[0.02, 0.05, 0.1, 0.2].filter((limit) => grade >= limit).length];
    picture.append(
      draw('rect', {x: left, y: y + 1, width: Math.max(2, across(grade) - left), height: bottom - y - 2, fill: shade}),
      draw('line', {x1: across(hole.low_grade[n]), x2: across(hole.high_grade[n]), y1: (y + bottom) / 2, y2: (y + bottom) / 2, stroke: CHOSEN, 'stroke-width': 3}),
      text(left - 6, bottom + 1, 'end', show('depth', hole.bottom_m[n], units)),
      text(across(hole.high_grade[n]) + 6, (y + bottom) / 2 + 4, 'start', percent(grade)));
  });
  return picture;
}

// Which reach a hole lies in is found when it is asked for.
function holes_of(land, reach) {
  land.hole_reach ??= land.holes.map(({lat, lon}) => nearest_wash(land, lat, lon).reach);
  return land.holes.filter((_, n) => land.hole_reach[n] === reach);
}

function hole_list(land, state, show_on_map) {
  const section = document.getElementById('holes');
  section.hidden = land.holes.length === 0;
  section.querySelector('summary').textContent = `Holes with layers (${grouped(land.holes.length, 0, 0)})`;
  const place = document.getElementById('holes-body');
  const fill = () => place.replaceChildren(...land.holes.map((hole) => make('div', {class: 'hole'},
    make('h3', {text: `${hole.name}, ${hole.day}`}),
    hole_picture(hole, state.units),
    make('ul', {}, ...hole.told[state.units === 'us' ? 0 : 1].map((text) => make('li', {text}))),
    make('button', {type: 'button', class: 'more', text: 'Show on the map', 'aria-label': `Show ${hole.name} on the map`, on: {click: () => show_on_map(hole)}}))));
  fill();
  return {fill};
}

// Readings beside the interval that all the others give them: right as often as it says?
function belief_picture(belief) {
  const [left, wide, row] = [8, 436, 9];
  const ends = [...belief.low_grade, ...belief.high_grade, ...belief.grade].map((grade) => Math.log(grade / (1 - grade)));
  const [least, most] = [Math.min(...ends), Math.max(...ends)];
  const at = (grade) => left + (wide * (Math.log(grade / (1 - grade)) - least)) / (most - least || 1);
  const tall = row * belief.grade.length;
  const picture = draw('svg', {class: 'span', viewBox: `0 0 452 ${tall + 34}`, role: 'img', 'aria-label': belief.sentences[0]});
  for (const grade of [0.001, 0.01, 0.05, 0.2, 0.5].filter((one) => at(one) > left && at(one) < left + wide)) {
    picture.append(draw('line', {x1: at(grade), x2: at(grade), y1: 0, y2: tall + 6, class: 'tick-line'}),
      draw('text', {x: at(grade), y: tall + 22, 'font-size': 12, 'text-anchor': 'middle', fill: INK, text: percent(grade)}));
  }
  belief.grade.forEach((grade, n) => {
    const y = row * n + 6;
    const inside = grade >= belief.low_grade[n] && grade <= belief.high_grade[n];
    picture.append(draw('line', {x1: at(belief.low_grade[n]), x2: at(belief.high_grade[n]), y1: y, y2: y, class: 'said'}));
    picture.append(belief.trace[n]
      ? draw('path', {d: `M${at(grade)} ${y}l5 -3.5v7Z`, fill: INK})
      : draw('circle', {cx: at(grade), cy: y, r: 3.4, fill: inside ? INK : NO_GO}));
  });
  return picture;
}

function show_belief(land) {
  const section = document.getElementById('belief');
  section.hidden = !land.belief;
  if (!land.belief) return;
  const {sentences, reading, numbers, effects} = land.belief;
  const grid = (heads, rows) => make('table', {}, make('thead', {}, make('tr', {}, ...heads.map((text) => make('th', {scope: 'col', text})))),
    make('tbody', {}, ...rows.map((cells) => make('tr', {}, ...cells.map((text) => make('td', {text}))))));
  const parts = [...sentences.map((text) => make('p', {text}))];
  if (reading.length) {
    parts.push(make('h3', {text: 'Each reading beside what all the others say of it'}), belief_picture(land.belief),
      make('p', {text: 'Bars should hold nine readings in ten; red ones lie outside. Triangles are traces, at the least that could have been weighed.'}));
  }
  parts.push(make('h3', {text: 'What the samples taught of this ground'}), grid(['Number', 'Before', 'Now'], numbers),
    make('h3', {text: 'How many times richer one standard deviation more makes the bed'}), grid(['More of', 'Times'], effects));
  document.getElementById('belief-body').append(...parts);
}

// The stops of a walk or of a day, in their order.
function stop_list(section, {sentences, heads, rows}) {
  section.hidden = false;
  section.querySelector('details > div').replaceChildren(
    make('table', {}, make('thead', {}, make('tr', {}, ...heads.map((text) => make('th', {scope: 'col', text})))),
      make('tbody', {}, ...rows.map((cells) => make('tr', {}, ...cells.map((cell, n) => make('td', {class: n < 2 ? '' : 'figure'}, cell)))))),
    ...sentences.map((text) => make('p', {text})));
}

const minutes = (number) => `${Math.round(number)} min`;
const show_button = (name, run) => make('button', {type: 'button', text: 'Show', 'aria-label': `Show ${name} on the map`, on: {click: run}});

function walk_list(land, show_on_map) {
  if (!land.walk) return;
  stop_list(document.getElementById('walk'), {
    sentences: land.walk.sentences,
    heads: ['Stop', 'Reach', 'Walk', 'There after', 'Settles', 'Map'],
    rows: land.walk.stops.map((stop, n) => [String(n + 1), stop.reach + (stop.two ? ' (two samples)' : ''), minutes(stop.leg_minutes), minutes(stop.arrival_minutes), percent(stop.settled_share), show_button(`stop ${n + 1}`, () => show_on_map(stop))]),
  });
}

function day_list(land, state, show_on_map) {
  if (!land.day_plan) return {fill() {}};
  const fill = () => stop_list(document.getElementById('day'), {
    sentences: land.day_plan.sentences[state.units === 'us' ? 0 : 1],
    heads: ['Stop', 'Reach', 'There after', 'Loads', 'Carries', 'Product', 'Map'],
    rows: land.day_plan.stops.map((stop, n) => [String(n + 1), stop.reach, minutes(stop.arrival_minutes), grouped(stop.loads, 0, 0), grouped(stop.carries, 0, 0), show('mass', stop.product_kg, state.units), show_button(`stop ${n + 1} of the day`, () => show_on_map(stop))]),
  });
  fill();
  return {fill};
}

// Where one more sample would tell most.
function next_list(land, show_on_map) {
  const section = document.getElementById('next');
  section.hidden = land.next_spots.length === 0;
  const rows = land.next_spots.map((spot, n) => make('tr', {},
    make('td', {text: String.fromCharCode(97 + n)}),
    make('td', {text: spot.reach}),
    make('td', {class: 'figure', text: percent(spot.gain_share)}),
    make('td', {class: 'figure', text: `${spot.lat.toFixed(5)}, ${spot.lon.toFixed(5)}`}),
    make('td', {class: 'figure'}, make('button', {type: 'button', text: 'Show', 'aria-label': `Show place ${String.fromCharCode(97 + n)} on the map`, on: {click: () => show_on_map(spot)}}))));
  document.getElementById('next-body').append(
    make('p', {text: 'One more sample at these places would tell most about where to dig. “Settles” is the share of the doubt that matters; each place is counted by itself.'}),
    make('table', {}, make('thead', {}, make('tr', {}, ...['', 'Reach', 'Settles', 'Latitude, longitude', 'Map'].map((text) => make('th', {scope: 'col', text})))), make('tbody', {}, ...rows)));
}

function card(land, reach, units, close) {
  const term = (name, strong, rest = '') => [
    make('dt', {text: name}),
    make('dd', {}, make('strong', {text: strong}), ' ', make('span', {text: rest})),
  ];
  const span = (low, high) => `8 in 10: ${low} to ${high}`;
  const load = (column) => `${load_amount(column[reach], units)}`;
  const parts = [
    make('header', {},
      make('h2', {}, `Reach ${land.reach[reach]} `, make('small', {text: `${nth(land.rank[reach])} of ${grouped(land.count, 0, 0)}`})),
      make('button', {type: 'button', class: 'close', 'aria-label': 'Close', text: '×', on: {click: close}})),
  ];
  if (land.depleted[reach]) parts.push(make('p', {class: 'worked-out', text: 'Worked out: most of what it held has been dug.'}));
  if (land.closed[reach]) parts.push(make('p', {class: 'worked-out', text: `Closed. ${land.notes[reach][0] ?? ''}`}));
  const figures = make('dl', {class: 'figures'},
    ...term('In one load', `${load(land.kg_per_load_mean)} ${load_unit(units)}`,
      span(load(land.kg_per_load_p10), `${load(land.kg_per_load_p90)} ${load_unit(units)}`)),
    ...land.magnetite_kg_mean ? term('Magnetite in it', `${load(land.magnetite_kg_mean)} ${load_unit(units)}`,
      span(load(land.magnetite_kg_p10), `${load(land.magnetite_kg_p90)} ${load_unit(units)}`)) : [],
    ...term('Grade', percent(land.grade_mean[reach]), span(percent(land.grade_p10[reach]), percent(land.grade_p90[reach]))),
    ...term(`Among the best ${land.top}`, chance(land.chance_top[reach]), 'chance'),
    ...term('Worth digging', chance(land.chance_above_cutoff[reach]), `chance of more than ${percent(land.cutoff)}`));
  if (Number.isFinite(land.stock_kg[reach])) {
    const loads = Number.isFinite(land.loads_left[reach]) ? `in about ${counted(Math.round(land.loads_left[reach]), 'load')}` : '';
    figures.append(...term('Still there', show('mass', land.stock_kg[reach], units), loads));
  }
  if (land.other) {
    const there = land.other;
    figures.append(...term(`On ${there.day}`, percent(there.grade_mean[reach]), [`${load_amount(there.kg_per_load_mean[reach], units)} ${load_unit(units)} in one load`, `${nth(there.rank[reach])} then`, land.swapped ? '' : there.told].filter(Boolean).join('; ')));
  }
  if (land.fresh_share && Number.isFinite(land.fresh_share[reach])) figures.append(...term('Fresh', percent(land.fresh_share[reach]), 'laid anew by the last storm'));
  if (land.left_share && Number.isFinite(land.left_share[reach])) figures.append(...term('Left', percent(land.left_share[reach]), 'of what it held'));
  const sure = DOUBT_WORDS[land.doubt(reach)];
  parts.push(
    span_picture(land, reach),
    figures,
    make('h3', {text: 'Why'}),
    make('ul', {}, ...[`${sure}. ${land.rests_on(reach)}`, ...land.notes[reach], ...reasons_of(land, reach, units)].map((text) => make('li', {text}))));
  if (land.traps[reach].length) {
    parts.push(
      make('h3', {text: 'Where heavy sand may lie'}),
      make('ul', {}, ...land.traps[reach].map((text) => make('li', {text}))));
  }
  const past = past_picture(land, reach);
  if (past) {
    parts.push(make('h3', {text: 'Its past'}), past, make('ul', {}, ...past_lines(land, reach, units).map((text) => make('li', {text}))));
  }
  for (const hole of holes_of(land, reach)) {
    parts.push(make('h3', {text: `Layers in ${hole.name}, ${hole.day}`}), hole_picture(hole, units));
  }
  parts.push(make('h3', {text: 'The reach'}));
  const section = land.sections.get(reach);
  const picture = section && section_picture(section, land.width_m[reach], land.width_measured[reach], units);
  if (picture) parts.push(picture);
  const fall = `falls ${grouped(100 * land.slope[reach], 1, 1)} in 100`;
  const told = land.width_measured[reach] ? 'measured on the DEM' : 'by the size of the wash or as you set it';
  const wide = Number.isFinite(land.width_m[reach]) ? `, about ${show('length', land.width_m[reach], units)} wide (${told})` : '';
  const least = land.least_area[reach] ? 'at least ' : '';
  const more = least ? ' The edge of the map cuts the rest off.' : '';
  parts.push(
    make('p', {text: `${show('length', land.length_m[reach], units)} long${wide}, ${fall}; ${least}${show('area', land.upstream_area_m2[reach], units)} of ground drains to it.${more}`}),
    make('p', {}, 'Middle: ',
      make('span', {class: 'place', text: `${land.lat[reach].toFixed(6)}, ${land.lon[reach].toFixed(6)}`}),
      ` (latitude, longitude)${land.easting_m ? `; ${grouped(land.easting_m[reach], 0, 0)} E, ${grouped(land.northing_m[reach], 0, 0)} N in ${land.crs}` : ''}`));
  return parts;
}

function source_card(area) {
  return make('div', {}, make('h3', {text: area.name || 'Known source'}), make('div', {text: `Rock whose sand holds ${percent(area.grade)}, as you told it.`}));
}

function sample_words(mark) {
  if (mark.grade !== null) return percent(mark.grade);
  return mark.trace ? 'trace' : 'none found';
}

const layer_words = (mark, units) => (mark.depth_m ? mark.depth_m.map((depth) => show('depth', depth, units)).join(' to ') : '');

function sample_card(mark, units) {
  const layer = layer_words(mark, units);
  const lines = [[`Grade: ${sample_words(mark)}`], layer && [`Layer: ${layer}`], [`Taken on ${mark.day}`], mark.note && [mark.note]];
  return make('div', {},
    make('h3', {text: mark.place ? `Sample at ${mark.place}` : 'Sample'}),
    ...lines.filter(Boolean).map(([text]) => make('div', {text})));
}
