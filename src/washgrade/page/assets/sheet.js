// All of the ground on one canvas: thousands of reaches are one drawing, not thousands of objects.
const MARGIN = 0.25;

// Reaches of one look that join are one stroke, or dashes would start anew at every reach.
function chains(land, style) {
  const {start, east, south} = land.line;
  const by_look = new Map();
  for (let reach = 0; reach < land.count; reach += 1) {
    const look = style[reach];
    if (!by_look.has(look)) by_look.set(look, {ends: new Map(), list: []});
    const {ends, list} = by_look.get(look);
    const head = `${east[start[reach]]},${south[start[reach]]}`;
    const tail = `${east[start[reach + 1] - 1]},${south[start[reach + 1] - 1]}`;
    let chain = ends.get(head);
    if (chain) ends.delete(head);
    else list.push((chain = []));
    chain.push(reach);
    ends.set(tail, chain);
  }
  return Array.from(by_look, ([look, {list}]) => [look, list]).sort((a, b) => a[0] - b[0]);
}

const Sheet = L.Layer.extend({
  initialize(land) {
    this.land = land;
    // In full sun everything is drawn bolder.
    this.bold = 1;
    this.shown = {reaches: true, badges: true, samples: true, bounds: true, sources: true, access: true, walk: true, day: true, next: false, marks: false, entries: true};
    this.entries = [];
    this.here = null;
    this.spot = null;
    this.chosen = -1;
    this.hovered = -1;
  },

  // The colour tells what the theme says; in some, the line style how far the guesses lie apart.
  set_theme(theme) {
    this.looks = theme_colours(theme);
    this.chains = chains(this.land, theme_style(this.land, theme));
    if (this._map) this.redraw();
  },

  onAdd(map) {
    this.canvas = L.DomUtil.create('canvas', 'sheet leaflet-zoom-animated', map.getPane('overlayPane'));
    this.canvas.setAttribute('aria-hidden', 'true');
    this.pen = this.canvas.getContext('2d');
    this.hatch = hatch(this.pen);
    map.on({moveend: this.redraw, zoom: this._follow, zoomanim: this._swell, resize: this.redraw}, this);
    this.redraw();
  },

  redraw() {
    const map = this._map;
    const size = map.getSize();
    const pad = size.multiplyBy(MARGIN).round();
    const full = size.add(pad.multiplyBy(2));
    // A sheet of more than two device pixels per pixel costs memory and shows nothing more.
    const dots = Math.min(2, window.devicePixelRatio || 1);
    const corner = map.containerPointToLayerPoint(pad.multiplyBy(-1)).round();
    if (this.canvas.width !== full.x * dots || this.canvas.height !== full.y * dots) {
      this.canvas.width = full.x * dots;
      this.canvas.height = full.y * dots;
      this.canvas.style.width = `${full.x}px`;
      this.canvas.style.height = `${full.y}px`;
    }
    L.DomUtil.setTransform(this.canvas, corner, 1);
    this.zoom = map.getZoom();
    this.centre = map.getCenter();
    this.scale = 2 ** (this.zoom - ZOOM);
    const origin = map.getPixelOrigin().add(corner);
    this.shift = [this.land.origin[0] * this.scale - origin.x, this.land.origin[1] * this.scale - origin.y];
    this.full = full;
    this.corner = corner;
    this.pad = pad;
    this.pen.setTransform(dots, 0, 0, dots, 0, 0);
    this.pen.clearRect(0, 0, full.x, full.y);
    this._paint();
  },

  // While a zoom runs the last drawing is stretched; it is drawn afresh at the end.
  _swell(event) {
    this._stretch(event.center, event.zoom);
  },
  _follow() {
    this._stretch(this._map.getCenter(), this._map.getZoom());
  },
  _stretch(centre, zoom) {
    if (this.centre === undefined) return;
    const map = this._map;
    const half = map.getSize().multiplyBy(0.5);
    const drift = L.DomUtil.getPosition(map.getPane('mapPane')) ?? L.point(0, 0);
    const origin = map.project(centre, zoom).subtract(half).add(drift).floor();
    const scale = map.getZoomScale(zoom, this.zoom);
    const corner = map.project(this.centre, zoom).subtract(half.add(this.pad).multiplyBy(scale)).subtract(origin);
    L.DomUtil.setTransform(this.canvas, corner, scale);
  },

  _x(east) {
    return east * this.scale + this.shift[0];
  },
  _y(south) {
    return south * this.scale + this.shift[1];
  },

  _in_sight(reach, slack) {
    const {box} = this.land;
    return (
      this._x(box[4 * reach + 2]) >= -slack &&
      this._x(box[4 * reach]) <= this.full.x + slack &&
      this._y(box[4 * reach + 3]) >= -slack &&
      this._y(box[4 * reach + 1]) <= this.full.y + slack
    );
  },

  _trace(reaches) {
    const {start, east, south} = this.land.line;
    const {pen} = this;
    let joined = false;
    for (const reach of reaches) {
      if (!this._in_sight(reach, 10)) {
        joined = false;
        continue;
      }
      let n = start[reach];
      if (!joined) pen.moveTo(this._x(east[n]), this._y(south[n]));
      for (n += 1; n < start[reach + 1]; n += 1) pen.lineTo(this._x(east[n]), this._y(south[n]));
      joined = true;
    }
  },

  _ring(ring) {
    this.pen.beginPath();
    this._edge(ring);
  },

  _edge(ring) {
    const {pen} = this;
    // Each ring of an area begins anew.
    pen.moveTo(this._x(ring.east[0]), this._y(ring.south[0]));
    ring.east.forEach((east, n) => pen.lineTo(this._x(east), this._y(ring.south[n])));
    pen.closePath();
  },

  // On paper the sheet is opaque white to Chromium, so the relief that lies under it is painted into it.
  _paint_relief() {
    const bounds = this.printed_relief.getBounds();
    const from = this._map.latLngToLayerPoint(bounds.getNorthWest()).subtract(this.corner);
    const to = this._map.latLngToLayerPoint(bounds.getSouthEast()).subtract(this.corner);
    this.pen.globalAlpha = 0.5;
    this.pen.drawImage(this.printed_relief.getElement(), from.x, from.y, to.x - from.x, to.y - from.y);
    this.pen.globalAlpha = 1;
  },

  _paint() {
    const {pen, land, shown, zoom} = this;
    if (this.printed_relief) this._paint_relief();
    pen.lineJoin = 'round';
    if (shown.sources) this._paint_sources();
    if (shown.bounds) this._paint_bounds();
    if (shown.reaches) {
      // A halo is a rim around the line: below everything, or it would fill the gaps of the dashes.
      for (const reach of [this.hovered, this.chosen]) this._halo(reach, reach === this.chosen);
      for (const [grow, dashed] of [[2.6, false], [0, true]]) {
        for (const [look, list] of this.chains) {
          const level = Math.floor(look / 3);
          const {tint, edge} = this.looks[level];
          stroke_style(pen, this.bold * line_width(zoom, level), dashed ? tint : edge, dashed ? look % 3 : 0);
          pen.lineWidth += grow * this.bold;
          pen.beginPath();
          for (const chain of list) this._trace(chain);
          pen.stroke();
        }
      }
      pen.setLineDash([]);
      for (let reach = 0; reach < land.count; reach += 1) {
        if (!land.depleted[reach] || zoom < 13.5 || !this._in_sight(reach, 0)) continue;
        cross(pen, ...this.middle(reach));
      }
    }
    pen.setLineDash([]);
    if (shown.marks) {
      for (const mark of land.marks) mend_mark(pen, mark.spots.map(({east, south}) => [this._x(east), this._y(south)]), mark.kind);
    }
    if (shown.samples) {
      for (const mark of land.samples) {
        sample_mark(pen, this._x(mark.east), this._y(mark.south), mark, land.grade_class(mark.grade ?? 0), zoom < 15.5 ? 4.5 : 6);
      }
    }
    for (const [name, route, tint] of [['walk', land.walk, WALK], ['day', land.day_plan, DAY]]) {
      if (!shown[name] || !route) continue;
      walk_line(pen, route.way.east.map((east, n) => [this._x(east), this._y(route.way.south[n])]), tint);
      route.stops.forEach((stop, n) => walk_stop(pen, this._x(stop.east), this._y(stop.south), String(n + 1), tint));
    }
    if (shown.next) land.next_spots.forEach((spot, n) => next_mark(pen, this._x(spot.east), this._y(spot.south), String.fromCharCode(97 + n)));
    if (shown.access) for (const mark of land.access) access_mark(pen, this._x(mark.east), this._y(mark.south), mark.name);
    if (shown.badges) this._paint_badges();
    if (shown.entries) for (const mark of this.entries) entry_mark(pen, this._x(mark.east), this._y(mark.south));
    if (this.spot) entry_mark(pen, this._x(this.spot.east), this._y(this.spot.south));
    if (this.here) this._paint_here();
  },

  _paint_sources() {
    const {pen, land} = this;
    for (const area of land.sources) {
      pen.beginPath();
      for (const ring of area.rings) this._edge(ring);
      pen.fillStyle = stipple(pen, GRADE_COLOURS[land.grade_class(area.grade)]);
      pen.fill('evenodd');
      source_edge(pen);
    }
  },

  _paint_bounds() {
    const {pen, land} = this;
    for (const ring of land.no_go) {
      this._ring(ring);
      pen.fillStyle = this.hatch;
      pen.fill();
      pen.lineWidth = 1.6;
      pen.strokeStyle = NO_GO;
      pen.stroke();
    }
    for (const ring of land.property) {
      this._ring(ring);
      pen.setLineDash([]);
      pen.lineWidth = 4.5;
      pen.strokeStyle = 'rgba(255, 255, 255, .75)';
      pen.stroke();
      pen.setLineDash([14, 4, 2, 4]);
      pen.lineWidth = 2;
      pen.strokeStyle = BOUND;
      pen.stroke();
      pen.setLineDash([]);
    }
  },

  _halo(reach, strong) {
    if (reach < 0) return;
    const {pen} = this;
    pen.setLineDash([]);
    pen.lineCap = 'round';
    for (const [grow, tint] of strong ? [[15, INK], [11.5, CHOSEN]] : [[9, CHOSEN]]) {
      pen.lineWidth = this.bold * line_width(this.zoom, 4) + grow;
      pen.strokeStyle = tint;
      pen.beginPath();
      this._trace([reach]);
      pen.stroke();
    }
  },

  _paint_here() {
    const {east, south, lat, accuracy_m} = this.here;
    // A pixel of the map is shorter on the ground away from the equator.
    const pixel_m = (2 * Math.PI * 6378137 * Math.cos((lat * Math.PI) / 180)) / (256 * 2 ** this.zoom);
    here_mark(this.pen, this._x(east), this._y(south), accuracy_m / pixel_m);
  },

  _paint_badges() {
    const {pen, land} = this;
    // From afar the reaches lie close: smaller numbers hide less of them.
    const radius = this.zoom < 15.5 ? 9 : 11;
    const around = [[0, -2.2], [2, -1.1], [-2, -1.1], [2, 1.3], [-2, 1.3], [0, 2.4]];
    const taken = [];
    // The best has the first choice of room, and is painted last, on top.
    const put = [];
    for (const reach of land.by_rank.slice(0, land.top).filter((reach) => !land.closed[reach])) {
      const [x, y] = this.middle(reach);
      const free = around
        .map(([right, down]) => [x + right * radius, y + down * radius])
        .find((spot) => taken.every((other) => Math.hypot(other[0] - spot[0], other[1] - spot[1]) > 2.2 * radius));
      if (!free) continue;
      taken.push(free);
      put.push([reach, x, y, ...free]);
    }
    for (const [reach, x, y, bx, by] of put.reverse()) {
      pen.lineWidth = 2;
      pen.strokeStyle = INK;
      pen.beginPath();
      pen.moveTo(x, y);
      pen.lineTo(bx, by);
      pen.stroke();
      badge(pen, bx, by, String(land.rank[reach]), reach === this.chosen, radius);
    }
  },

  // Halfway along the line, in pixels of the canvas.
  middle(reach) {
    const {start, east, south} = this.land.line;
    let rest = 0;
    const steps = [];
    for (let n = start[reach] + 1; n < start[reach + 1]; n += 1) {
      steps.push(Math.hypot(east[n] - east[n - 1], south[n] - south[n - 1]));
      rest += steps.at(-1) / 2;
    }
    let n = start[reach];
    for (const step of steps) {
      if (rest <= step && step > 0) {
        const part = rest / step;
        return [
          this._x(east[n] + part * (east[n + 1] - east[n])),
          this._y(south[n] + part * (south[n + 1] - south[n])),
        ];
      }
      rest -= step;
      n += 1;
    }
    return [this._x(east[n]), this._y(south[n])];
  },

  choose(reach) {
    this.chosen = reach;
    this.redraw();
  },

  // Where the reaches from one to another lie, the whole ground unless told.
  bounds(first = 0, last = this.land.count - 1) {
    const {box, origin} = this.land;
    const edge = [Infinity, Infinity, -Infinity, -Infinity];
    for (let reach = first; reach <= last; reach += 1) {
      for (const side of [0, 1]) edge[side] = Math.min(edge[side], box[4 * reach + side]);
      for (const side of [2, 3]) edge[side] = Math.max(edge[side], box[4 * reach + side]);
    }
    const corner = (east, south) => L.CRS.EPSG3857.pointToLatLng(L.point(east + origin[0], south + origin[1]), ZOOM);
    return L.latLngBounds(corner(edge[0], edge[1]), corner(edge[2], edge[3]));
  },

  // What lies under a point of the window: an entry, a sample, or the nearest reach and the source around it.
  under(spot, reach_px) {
    // By way of the layer: the map may have been dragged since the sheet was drawn.
    const {x, y} = this._map.containerPointToLayerPoint(spot).subtract(this.corner);
    if (this.shown.entries) {
      const entry = this.entries.find((mark) => Math.hypot(this._x(mark.east) - x, this._y(mark.south) - y) < Math.max(10, reach_px * 0.7));
      if (entry) return {entry: entry.entry};
    }
    if (this.shown.samples) {
      const away = (mark) => Math.hypot(this._x(mark.east) - x, this._y(mark.south) - y);
      const sample = this.land.samples.find((mark) => away(mark) < Math.max(10, reach_px * 0.7));
      if (sample) return {sample};
    }
    return {...this._nearest(x, y, reach_px), source: this.shown.sources ? this.land.sources.findLast(({rings}) => this._inside(rings, x, y)) : undefined};
  },

  // A ray to the right crosses the edges of an area an odd number of times from within.
  _inside(rings, x, y) {
    let within = false;
    for (const {east, south} of rings) {
      for (let n = 0, last = east.length - 1; n < east.length; last = n, n += 1) {
        const [ax, ay, bx, by] = [this._x(east[n]), this._y(south[n]), this._x(east[last]), this._y(south[last])];
        if (ay > y !== by > y && x < ax + ((y - ay) * (bx - ax)) / (by - ay)) within = !within;
      }
    }
    return within;
  },

  _nearest(x, y, reach_px) {
    if (!this.shown.reaches) return {};
    const {start, east, south} = this.land.line;
    const {box} = this.land;
    let best = reach_px;
    let found = -1;
    for (let reach = 0; reach < this.land.count; reach += 1) {
      if (
        this._x(box[4 * reach]) - best > x ||
        this._x(box[4 * reach + 2]) + best < x ||
        this._y(box[4 * reach + 1]) - best > y ||
        this._y(box[4 * reach + 3]) + best < y
      ) {
        continue;
      }
      for (let n = start[reach] + 1; n < start[reach + 1]; n += 1) {
        const ax = this._x(east[n - 1]);
        const ay = this._y(south[n - 1]);
        const dx = this._x(east[n]) - ax;
        const dy = this._y(south[n]) - ay;
        const part = Math.min(1, Math.max(0, ((x - ax) * dx + (y - ay) * dy) / (dx * dx + dy * dy || 1)));
        const away = Math.hypot(x - ax - part * dx, y - ay - part * dy);
        if (away < best) {
          best = away;
          found = reach;
        }
      }
    }
    return found < 0 ? {} : {reach: found};
  },
});
