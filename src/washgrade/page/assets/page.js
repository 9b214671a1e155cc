// The page put together: what is chosen, which units, and what one part tells the others.
document.documentElement.classList.add('live');
// A small page is read at once; a large one is unpacked first, by the browser itself.
const payload = document.getElementById('payload');
if (payload.type !== 'application/json' && !window.DecompressionStream) {
  document.documentElement.classList.remove('live');
  document.querySelector('main').prepend(make('p', {class: 'plain', text: 'This map is too large for this browser, which is from before 2023. Open it in a newer one; no network is needed.'}));
  return;
}
const land = decode(payload.type === 'application/json' ? JSON.parse(payload.textContent) : await unfold(payload.textContent));
const state = {units: land.units, chosen: -1};
const narrow = window.matchMedia('(max-width: 760px)');
const still = window.matchMedia('(prefers-reduced-motion: reduce)');

document.getElementById('legend').open = !narrow.matches;
map.invalidateSize({animate: false});

const relief_picture = document.getElementById('relief');
let relief = null;
if (relief_picture && land.relief_bounds) {
  const [west, south, east, north] = land.relief_bounds;
  map.createPane('relief').style.zIndex = 200;
  relief = L.imageOverlay(relief_picture, [[south, west], [north, east]], {pane: 'relief'}).addTo(map);
}

const sheet = new Sheet(land);
// What is shown must not hide behind the legend: it stands below, on a phone its button above.
function room(around) {
  const legend_px = document.getElementById('legend').offsetHeight + around;
  return narrow.matches
    ? {paddingTopLeft: [around, 50 + around], paddingBottomRight: [around, around]}
    : {paddingTopLeft: [around, around], paddingBottomRight: [50 + around, legend_px + 10]};
}
const key = legend(land, sheet, relief, state, {
  set_theme(theme) {
    lines.theme = theme;
    sheet.set_theme(theme);
    key.fill();
  },
  set_day(other) {
    if (other === Boolean(land.swapped)) return;
    swap_days(land);
    for (const node of document.querySelectorAll('#headline time')) node.textContent = land.day;
    document.getElementById('headline').classList.toggle('then', other);
    sheet.set_theme(lines.theme);
    set_card();
    table.arrange();
  },
  save: () => save_picture(land, state, sheet, relief, `map-${land.day}-${lines.theme.key}.png`),
});
[lines.theme] = land.themes;
sheet.set_theme(lines.theme);
key.fill();
map.fitBounds(sheet.bounds(), {...room(14), animate: false});
map.addLayer(sheet);
performance.mark('washgrade-first-draw');

let scale = null;
function set_scale() {
  scale?.remove();
  scale = L.control.scale({position: narrow.matches ? 'bottomright' : 'topleft', maxWidth: 140, metric: state.units === 'metric', imperial: state.units === 'us'}).addTo(map);
}

function close() {
  const left = state.chosen;
  choose(-1);
  // Back to where the reader came from.
  table.focus(left);
}

const panel = document.getElementById('card');
function set_card() {
  panel.hidden = state.chosen < 0;
  panel.replaceChildren(...(state.chosen < 0 ? [] : card(land, state.chosen, state.units, close)));
}

const table = ranking(land, state, choose);

function choose(reach, {from} = {}) {
  state.chosen = reach;
  sheet.choose(reach);
  set_card();
  table.mark(reach, from === 'map');
  if (reach < 0) return;
  if (from === 'table') {
    map.fitBounds(sheet.bounds(reach, reach), {maxZoom: 17, ...room(40), animate: !still.matches});
  }
  // The card stands above the table: bring it into sight, but leave the keyboard where it is.
  document.querySelector('.ledger').scrollTo({top: 0});
}

const sample_rows = sample_list(land, state, (mark) => {
  map.setView([mark.lat, mark.lon], Math.max(map.getZoom(), 16), {animate: false});
  popup(mark);
});
// Show a place of a layer that may be off: switch it on first.
function go_to(layer, lat, lon) {
  const box = document.querySelector(`.legend input[name=${layer}]`);
  if (!box.checked) box.click();
  map.setView([lat, lon], Math.max(map.getZoom(), 17), {animate: false});
}
walk_list(land, (stop) => go_to('walk', stop.lat, stop.lon));
next_list(land, (spot) => go_to('next', spot.lat, spot.lon));
const day_rows = day_list(land, state, (stop) => go_to('day', stop.lat, stop.lon));
const guide = guide_part(land, state, sheet, {show_stop: (layer, stop) => go_to(layer, stop.lat, stop.lon)});
const hole_rows = hole_list(land, state, (hole) => go_to('samples', hole.lat, hole.lon));
show_belief(land);
const mend_rows = mend_list(land, state, (mark) => go_to('marks', mark.lat[0], mark.lon[0]));
function popup(mark) {
  L.popup({maxWidth: 280, offset: [0, -4]}).setLatLng([mark.lat, mark.lon]).setContent(sample_card(mark, state.units)).openOn(map);
}

const written = land.entering && entries_part(land, state, {
  show_entry: (entry) => go_to('entries', entry.cells.lat, entry.cells.lon),
  mark(place) {
    sheet.spot = place && land.point(place);
    sheet.redraw();
  },
  redraw(entries) {
    sheet.entries = entries.filter(({cells}) => said(cells.lat)).map((entry) => ({...land.point({lat: entry.cells.lat, lon: entry.cells.lon}), entry}));
    sheet.redraw();
  },
});
if (!land.entering) document.getElementById('bar').hidden = true;

// A finger is broader than a pointer.
const coarse = window.matchMedia('(pointer: coarse)');
map.on('click', (event) => {
  const hit = sheet.under(event.containerPoint, coarse.matches ? 24 : 12);
  if (hit.entry) document.getElementById('kept').click();
  else if (hit.sample) popup(hit.sample);
  else if (hit.reach !== undefined) choose(hit.reach, {from: 'map'});
  else if (hit.source) L.popup({maxWidth: 280}).setLatLng(event.latlng).setContent(source_card(hit.source)).openOn(map);
});
const tip = L.tooltip({direction: 'top', offset: [0, -8]});
let asked = 0;
map.on('mousemove', (event) => {
  cancelAnimationFrame(asked);
  asked = requestAnimationFrame(() => {
    const {reach = -1, sample} = sheet.under(event.containerPoint, 10);
    map.getContainer().classList.toggle('over-line', reach >= 0 || Boolean(sample));
    if (reach >= 0) {
      tip.setContent(make('span', {text: `${land.reach[reach]}: ${percent(land.grade_mean[reach])}`}));
      tip.setLatLng(event.latlng);
      if (!map.hasLayer(tip)) map.openTooltip(tip);
    } else {
      map.closeTooltip(tip);
    }
    if (reach !== sheet.hovered) {
      sheet.hovered = reach;
      sheet.redraw();
    }
  });
});
map.on('mouseout', () => map.closeTooltip(tip));
document.addEventListener('keydown', (event) => {
  if (event.key === 'Escape' && state.chosen >= 0 && !written?.is_open()) close();
});

for (const radio of document.querySelectorAll('input[name=units]')) {
  radio.checked = radio.value === state.units;
  radio.addEventListener('change', () => {
    state.units = radio.value;
    set_scale();
    set_card();
    table.fill();
    sample_rows.fill();
    mend_rows.fill();
    hole_rows.fill();
    day_rows.fill();
    key.fill();
    guide.tell();
    storm_words();
  });
}

function storm_words() {
  const node = document.getElementById('storm');
  if (node && land.storm) node.textContent = land.storm.told[state.units === 'us' ? 0 : 1];
}

// Full sun: black on white, bolder lines, no relief behind them.
const sun = document.getElementById('sun');
sun.addEventListener('click', () => {
  const bright = sun.getAttribute('aria-pressed') !== 'true';
  sun.setAttribute('aria-pressed', String(bright));
  document.documentElement.classList.toggle('sun', bright);
  sheet.bold = bright ? 1.45 : 1;
  sheet.redraw();
});

set_scale();
storm_words();
table.fill();

// On paper the map has its own size: fit it again, and put the view back afterwards.
let before = null;
function to_paper(printing) {
  if (printing && !before) {
    before = {centre: map.getCenter(), zoom: map.getZoom(), open: document.getElementById('legend').open};
    document.getElementById('legend').open = true;
    document.getElementById('cautions').open = true;
    document.getElementById('about').open = true;
    sheet.printed_relief = relief && relief.options.opacity > 0 ? relief : null;
    const whole = map.getBounds();
    map.invalidateSize({animate: false});
    map.fitBounds(whole, {animate: false});
  } else if (!printing && before) {
    sheet.printed_relief = null;
    map.invalidateSize({animate: false});
    map.setView(before.centre, before.zoom, {animate: false});
    document.getElementById('legend').open = before.open;
    before = null;
  }
}
window.matchMedia('print').addEventListener('change', (event) => to_paper(event.matches));
