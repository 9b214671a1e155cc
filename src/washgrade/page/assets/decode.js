// The payload unfolded: typed arrays by reach, lines in pixels of zoom 19 relative to one origin.
const MISSING = -(2 ** 40);
const ZOOM = 19;

// Loops over plain arrays throughout: with fifty thousand reaches a callback for each number is what one waits for.
function unpack(text, values = [], scale = 1) {
  const bytes = atob(text);
  let last = 0;
  let step = 0;
  let place = 1;
  let count = 0;
  for (let at = 0; at < bytes.length; at += 1) {
    const byte = bytes.charCodeAt(at);
    // Multiplied, not shifted: a step may need more than 32 bits.
    step += (byte & 127) * place;
    if (byte < 128) {
      last += step % 2 ? -(step + 1) / 2 : step / 2;
      values[count] = scale === 1 ? last : last === MISSING ? NaN : last / scale;
      count += 1;
      step = 0;
      place = 1;
    } else {
      place *= 128;
    }
  }
  return values;
}

async function unfold(text) {
  const signs = atob(text);
  const packed = new Uint8Array(signs.length);
  for (let at = 0; at < signs.length; at += 1) packed[at] = signs.charCodeAt(at);
  return new Response(new Blob([packed]).stream().pipeThrough(new DecompressionStream('deflate'))).json();
}

// Made when it is first asked for: the first drawing needs a few columns only.
function lazily(target, name, prepare) {
  const put = (value) => Object.defineProperty(target, name, {value, writable: true, configurable: true, enumerable: true});
  Object.defineProperty(target, name, {configurable: true, enumerable: true, get: () => put(prepare())[name], set: put});
}

function lazy_columns(target, columns, count) {
  for (const [name, {scale, data}] of Object.entries(columns)) {
    lazily(target, name, () => {
      const values = unpack(data, new Float64Array(count), scale);
      // Whole numbers, too, may be missing.
      if (scale === 1) for (let n = 0; n < count; n += 1) if (values[n] === MISSING) values[n] = NaN;
      return values;
    });
  }
}

function decode(payload) {
  const land = {...payload, count: payload.reach.length};
  lazy_columns(land, payload.columns, land.count);
  lazily(land, 'support', () => unpack(payload.support).map((n) => payload.support_words[n]));
  land.rests_on = (reach) => payload.support_told[payload.support_words.indexOf(land.support[reach])];
  const sentences = ({words, count, word}) => {
    const all = unpack(word).map((n) => words[n]);
    let at = 0;
    return unpack(count).map((n) => all.slice(at, (at += n)));
  };
  lazily(land, 'notes', () => sentences(payload.notes));
  lazily(land, 'traps', () => sentences(payload.traps));
  lazily(land, 'why_of', () => reasons_by_reach(land, payload));
  lazily(land, 'sections', () => sections_by_reach(payload));
  if (payload.history) lazily(land, 'past', () => past_by_reach(payload.history));
  if (payload.other) {
    land.other = {...payload.other};
    lazy_columns(land.other, payload.other.columns, land.count);
  }

  const start = Int32Array.from(unpack(payload.line.start));
  const east = unpack(payload.line.east, new Float64Array(start.at(-1)));
  const south = unpack(payload.line.south, new Float64Array(start.at(-1)));
  land.origin = [Infinity, Infinity];
  for (let n = 0; n < east.length; n += 1) {
    if (east[n] < land.origin[0]) land.origin[0] = east[n];
    if (south[n] < land.origin[1]) land.origin[1] = south[n];
  }
  for (let n = 0; n < east.length; n += 1) {
    east[n] -= land.origin[0];
    south[n] -= land.origin[1];
  }
  land.line = {start, east, south};
  const ring = (packed) => ({
    east: unpack(packed.east).map((v) => v - land.origin[0]),
    south: unpack(packed.south).map((v) => v - land.origin[1]),
  });
  land.property = payload.property.map(ring);
  land.no_go = payload.no_go.map(ring);
  land.sources = payload.sources.map((area) => ({...area, rings: area.rings.map(ring)}));
  const point = (mark) => {
    const pixel = L.CRS.EPSG3857.latLngToPoint(L.latLng(mark.lat, mark.lon), ZOOM);
    return {...mark, east: pixel.x - land.origin[0], south: pixel.y - land.origin[1]};
  };
  land.ground = payload.relief_bounds;
  land.point = point;
  land.samples = payload.samples.map(point);
  land.access = payload.access.map(point);
  land.next_spots = payload.next_spots.map(point);
  if (payload.day_plan) land.day_plan = {...payload.day_plan, way: ring(payload.day_plan.way), stops: payload.day_plan.stops.map(point)};
  if (payload.walk) land.walk = {...payload.walk, way: ring(payload.walk.way), stops: payload.walk.stops.map(point)};
  land.marks = payload.marks.map((mark) => ({
    ...mark,
    spots: mark.lon.map((lon, n) => point({lon, lat: mark.lat[n]})),
  }));

  // West, north, east, south of each line, for quick questions about what is in sight or under a finger.
  land.box = new Float64Array(4 * land.count).fill(NaN);
  for (let reach = 0; reach < land.count; reach += 1) {
    let west = Infinity;
    let north = Infinity;
    let right = -Infinity;
    let low = -Infinity;
    for (let n = start[reach]; n < start[reach + 1]; n += 1) {
      if (east[n] < west) west = east[n];
      if (east[n] > right) right = east[n];
      if (south[n] < north) north = south[n];
      if (south[n] > low) low = south[n];
    }
    land.box[4 * reach] = west;
    land.box[4 * reach + 1] = north;
    land.box[4 * reach + 2] = right;
    land.box[4 * reach + 3] = low;
  }
  land.grade_class = (grade) => level_of(payload.class_limits, grade);
  land.doubt = (reach) => {
    const times = land.grade_p90[reach] / Math.max(land.grade_p10[reach], 1e-9);
    return level_of(payload.doubt_limits, times, true);
  };
  land.by_rank = order_of(land.rank);
  return land;
}

// How many of the rising limits a value has reached, or passed.
function level_of(limits, value, beyond = false) {
  let level = 0;
  while (level < limits.length && (value > limits[level] || (!beyond && value === limits[level]))) level += 1;
  return level;
}

// Reaches from the best on: every rank is there once.
function order_of(rank) {
  const order = new Array(rank.length);
  for (let reach = 0; reach < rank.length; reach += 1) order[rank[reach] - 1] = reach;
  return order;
}

const share_of = (v) => (v === MISSING ? NaN : v / 100);

function reasons_by_reach(land, payload) {
  const why_of = new Map();
  if (!payload.why) return why_of;
  const {few, parts, sample_ids} = payload.why;
  const added = unpack(payload.why.added).map(share_of);
  const weight = unpack(payload.why.weight).map(share_of);
  const place = unpack(payload.why.place);
  // Ids are cut short there, as people see them.
  const sample_of = new Map(payload.samples.map((mark) => [mark.id.slice(0, 8), mark]));
  const away_of = (id, reach) => {
    const mark = sample_of.get(id);
    return mark ? L.latLng(mark.lat, mark.lon).distanceTo([land.lat[reach], land.lon[reach]]) : NaN;
  };
  unpack(payload.why.reach).forEach((reach, n) => {
    const weighty = [];
    for (let k = few * n; k < few * (n + 1); k += 1) {
      if (place[k] >= 0) weighty.push({id: sample_ids[place[k]], weight: weight[k], away_m: away_of(sample_ids[place[k]], reach)});
    }
    const land_adds = parts.map((name, k) => ({name, share: added[parts.length * n + k]}));
    why_of.set(reach, {weighty, land_adds});
  });
  return why_of;
}

// Heights across the middle of the reaches that have a section, metres above its lowest point.
function sections_by_reach(payload) {
  const sections = new Map();
  if (!payload.sections) return sections;
  const {points} = payload.sections;
  const heights = unpack(payload.sections.heights).map(share_of);
  const half = unpack(payload.sections.half);
  unpack(payload.sections.reach).forEach((reach, n) => {
    sections.set(reach, {half_m: half[n] / 10, heights: heights.slice(n * points, (n + 1) * points)});
  });
  return sections;
}

function past_by_reach({days, reach, columns}) {
  const values = Object.entries(columns).map(([name, data]) => [name, unpack(data).map((v) => (v === MISSING ? NaN : v / 1000))]);
  return new Map(unpack(reach).map((one, n) => [
    one, Object.fromEntries(values.map(([name, all]) => [name, all.slice(n * days.length, (n + 1) * days.length)])),
  ]));
}
