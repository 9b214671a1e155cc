// The payload unfolded: typed arrays by reach, lines in pixels of zoom 19 relative to one origin.
const MISSING = -(2 ** 40);
const ZOOM = 19;

function unpack(text) {
  const bytes = atob(text);
  const values = [];
  let last = 0;
  let step = 0;
  let place = 1;
  for (let at = 0; at < bytes.length; at += 1) {
    const byte = bytes.charCodeAt(at);
    // Multiplied, not shifted: a step may need more than 32 bits.
    step += (byte & 127) * place;
    if (byte < 128) {
      last += step % 2 ? -(step + 1) / 2 : step / 2;
      values.push(last);
      step = 0;
      place = 1;
    } else {
      place *= 128;
    }
  }
  return values;
}

function decode(payload) {
  const land = {...payload, count: payload.reach.length};
  for (const [name, column] of Object.entries(payload.columns)) {
    land[name] = Float64Array.from(unpack(column.data), (v) => (v === MISSING ? NaN : v / column.scale));
  }
  land.support = unpack(payload.support).map((n) => payload.support_words[n]);
  const sentences = ({words, count, word}) => {
    const all = unpack(word).map((n) => words[n]);
    let at = 0;
    return unpack(count).map((n) => all.slice(at, (at += n)));
  };
  land.notes = sentences(payload.notes);
  land.traps = sentences(payload.traps);

  land.why_of = new Map();
  if (payload.why) {
    const {few, parts, sample_ids} = payload.why;
    const share = (v) => (v === MISSING ? NaN : v / 100);
    const added = unpack(payload.why.added).map(share);
    const weight = unpack(payload.why.weight).map(share);
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
      land.why_of.set(reach, {weighty, land_adds});
    });
  }

  // Heights across the middle of the reaches that have a section, metres above its lowest point.
  land.sections = new Map();
  if (payload.sections) {
    const {points} = payload.sections;
    const number = (v) => (v === MISSING ? NaN : v / 100);
    const heights = unpack(payload.sections.heights).map(number);
    const half = unpack(payload.sections.half);
    unpack(payload.sections.reach).forEach((reach, n) => {
      land.sections.set(reach, {half_m: half[n] / 10, heights: heights.slice(n * points, (n + 1) * points)});
    });
  }

  const east = unpack(payload.line.east);
  const south = unpack(payload.line.south);
  const start = Int32Array.from(unpack(payload.line.start));
  land.origin = [east.reduce((a, b) => Math.min(a, b)), south.reduce((a, b) => Math.min(a, b))];
  land.line = {
    start,
    east: Float64Array.from(east, (v) => v - land.origin[0]),
    south: Float64Array.from(south, (v) => v - land.origin[1]),
  };
  const ring = (packed) => ({
    east: unpack(packed.east).map((v) => v - land.origin[0]),
    south: unpack(packed.south).map((v) => v - land.origin[1]),
  });
  land.property = payload.property.map(ring);
  land.no_go = payload.no_go.map(ring);
  const point = (mark) => {
    const pixel = L.CRS.EPSG3857.latLngToPoint(L.latLng(mark.lat, mark.lon), ZOOM);
    return {...mark, east: pixel.x - land.origin[0], south: pixel.y - land.origin[1]};
  };
  land.samples = payload.samples.map(point);
  land.access = payload.access.map(point);
  land.next_spots = payload.next_spots.map(point);
  if (payload.walk) land.walk = {...payload.walk, way: ring(payload.walk.way), stops: payload.walk.stops.map(point)};
  land.marks = payload.marks.map((mark) => ({
    ...mark,
    spots: mark.lon.map((lon, n) => point({lon, lat: mark.lat[n]})),
  }));

  // West, north, east, south of each line, for quick questions about what is in sight or under a finger.
  land.box = new Float64Array(4 * land.count).fill(NaN);
  for (let reach = 0; reach < land.count; reach += 1) {
    let [west, north, right, low] = [Infinity, Infinity, -Infinity, -Infinity];
    for (let n = start[reach]; n < start[reach + 1]; n += 1) {
      west = Math.min(west, land.line.east[n]);
      right = Math.max(right, land.line.east[n]);
      north = Math.min(north, land.line.south[n]);
      low = Math.max(low, land.line.south[n]);
    }
    land.box.set([west, north, right, low], 4 * reach);
  }
  land.grade_class = (grade) => payload.class_limits.filter((limit) => grade >= limit).length;
  land.doubt = (reach) => {
    const times = land.grade_p90[reach] / Math.max(land.grade_p10[reach], 1e-9);
    return payload.doubt_limits.filter((limit) => times > limit).length;
  };
  // The colour tells the expected grade, the line style how far the guesses lie apart.
  land.style = Uint8Array.from(land.grade_mean, (grade, reach) => 3 * land.grade_class(grade) + land.doubt(reach));
  land.by_rank = Array.from(land.rank.keys()).sort((a, b) => land.rank[a] - land.rank[b]);
  return land;
}
