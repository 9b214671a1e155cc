// Where one is: fixes of the phone, the nearest wash, typed coordinates, distance and bearing.
const EARTH_M = 6371008.8;
const GOOD_ENOUGH_M = 4;
const LISTEN_MS = 20000;
const POINTS = ['N', 'NE', 'E', 'SE', 'S', 'SW', 'W', 'NW'];

// On a sphere of the earth's mean radius: within half a percent of the ellipsoid, over a valley of no account.
function way_to([lat, lon], [to_lat, to_lon]) {
  const rad = Math.PI / 180;
  const [a, b, turn] = [lat * rad, to_lat * rad, (to_lon - lon) * rad];
  const half = Math.sin((b - a) / 2) ** 2 + Math.cos(a) * Math.cos(b) * Math.sin(turn / 2) ** 2;
  const bearing = Math.atan2(Math.sin(turn) * Math.cos(b), Math.cos(a) * Math.sin(b) - Math.sin(a) * Math.cos(b) * Math.cos(turn)) / rad;
  return {far_m: 2 * EARTH_M * Math.asin(Math.sqrt(half)), bearing_deg: (bearing + 360) % 360};
}
const point_of = (bearing_deg) => POINTS[Math.round(bearing_deg / 45) % 8];

const REFUSALS = {
  1: 'The browser may not use the position: it was refused. Allow it for this page in the browser’s settings, or take the map cross or typed coordinates.',
  2: 'The phone finds no position here. Wait under open sky, or take the map cross or typed coordinates.',
  3: 'The phone found no position in time. Try again under open sky, or take the map cross or typed coordinates.',
};

// Fixes as they come, each with the best so far. The best is the one that the phone itself calls most accurate:
// the first fix of a cold receiver is often tens of metres off.
function listen({fix, fail, until = () => false}) {
  if (!navigator.geolocation) {
    fail('This browser has no position. Take the map cross or typed coordinates.');
    return () => {};
  }
  let best = null;
  let count = 0;
  const stop = () => navigator.geolocation.clearWatch(watch);
  const watch = navigator.geolocation.watchPosition(
    ({coords, timestamp}) => {
      count += 1;
      const now = {lat: coords.latitude, lon: coords.longitude, accuracy_m: coords.accuracy, time: timestamp};
      if (!best || now.accuracy_m <= best.accuracy_m) best = now;
      fix({now, best, count});
      if (until(best, count)) stop();
    },
    (error) => fail(REFUSALS[error.code] ?? REFUSALS[2], Boolean(best)),
    {enableHighAccuracy: true, maximumAge: 0, timeout: LISTEN_MS},
  );
  return stop;
}

// The nearest place on any wash: its reach, how far, and where. Straight pieces in map pixels, which are square.
function nearest_wash(land, lat, lon) {
  const spot = L.CRS.EPSG3857.latLngToPoint(L.latLng(lat, lon), ZOOM);
  const [x, y] = [spot.x - land.origin[0], spot.y - land.origin[1]];
  const {start, east, south} = land.line;
  let best = {away: Infinity};
  for (let reach = 0; reach < land.count; reach += 1) {
    const far_x = Math.max(land.box[4 * reach] - x, x - land.box[4 * reach + 2], 0);
    const far_y = Math.max(land.box[4 * reach + 1] - y, y - land.box[4 * reach + 3], 0);
    if (Math.hypot(far_x, far_y) >= best.away) continue;
    for (let n = start[reach] + 1; n < start[reach + 1]; n += 1) {
      const [ax, ay] = [east[n - 1], south[n - 1]];
      const [dx, dy] = [east[n] - ax, south[n] - ay];
      const part = Math.min(1, Math.max(0, ((x - ax) * dx + (y - ay) * dy) / (dx * dx + dy * dy || 1)));
      const away = Math.hypot(x - ax - part * dx, y - ay - part * dy);
      if (away < best.away) best = {away, reach, x: ax + part * dx, y: ay + part * dy};
    }
  }
  const found = L.CRS.EPSG3857.pointToLatLng(L.point(best.x + land.origin[0], best.y + land.origin[1]), ZOOM);
  return {reach: best.reach, lat: found.lat, lon: found.lng, away_m: way_to([lat, lon], [found.lat, found.lng]).far_m};
}

// "36.3258, -3.0080", also with degrees and minutes and the letters of the compass, latitude first.
function read_coordinates(text) {
  const told = text.trim().toUpperCase();
  let parts = told.split(/[,;]/);
  if (parts.length === 1) {
    if (/^[NSEW]/.test(told)) parts = told.match(/[NSEW][^NSEW]*/g);
    else parts = told.match(/[NSEW]/) ? told.match(/[^NSEW]+[NSEW]?/g) : told.split(/\s+/);
  }
  if (parts.length !== 2) return null;
  const degrees = parts.map((part) => {
    const numbers = part.match(/\d+(\.\d+)?/g);
    if (!numbers || numbers.length > 3 || numbers.slice(1).some((number) => Number(number) >= 60)) return NaN;
    const size = numbers.reduce((sum, number, n) => sum + Number(number) / 60 ** n, 0);
    return /[SW-]/.test(part) ? -size : size;
  });
  const turned = /[EW]/.test(parts[0]) || /[NS]/.test(parts[1]);
  const [lat, lon] = turned ? degrees.reverse() : degrees;
  return Math.abs(lat) <= 90 && Math.abs(lon) <= 180 ? {lat, lon} : null;
}
