// How things look: one place for colours and strokes of map, legend and table.
const paper = getComputedStyle(document.documentElement);
const colour = (name) => paper.getPropertyValue(`--${name}`).trim();
const GRADE_COLOURS = [0, 1, 2, 3, 4].map((n) => colour(`grade-${n}`));
// A dark edge holds the light colours against bright ground, a light edge the dark ones.
const CASINGS = [0, 1, 2, 3, 4].map((n) => colour(n < 2 ? 'casing-dark' : 'casing-light'));
const INK = colour('ink');
const CHOSEN = colour('chosen');
const BOUND = colour('bound');
const NO_GO = colour('no-go');
const MEND = colour('mend');
const WALK = colour('walk');
const DAY = colour('day');
const ENTRY = colour('entry');
const HERE = colour('here');

// Wider when near, and wider when rich, so that the best stand out where colour fails.
function line_width(zoom, grade_class) {
  const base = Math.min(7, Math.max(1.6, 2.4 + (zoom - 14) * 0.7));
  return base * (0.75 + 0.15 * grade_class);
}

function stroke_style(pen, width, tint, doubt) {
  pen.lineWidth = width;
  pen.strokeStyle = tint;
  pen.lineCap = doubt === 1 ? 'butt' : 'round';
  pen.setLineDash(DOUBT_DASH[doubt].map((n) => n * width));
}

function hatch(pen) {
  const tile = document.createElement('canvas');
  tile.width = 9;
  tile.height = 9;
  const ink = tile.getContext('2d');
  ink.strokeStyle = NO_GO;
  ink.lineWidth = 1.3;
  for (const shift of [-9, 0, 9]) {
    ink.beginPath();
    ink.moveTo(shift - 1, 10);
    ink.lineTo(shift + 10, -1);
    ink.stroke();
  }
  return pen.createPattern(tile, 'repeat');
}

// Rock whose sand is known: points in the colour of its class, within a dotted edge.
function stipple(pen, tint) {
  const tile = document.createElement('canvas');
  tile.width = 16;
  tile.height = 16;
  const ink = tile.getContext('2d');
  ink.fillStyle = tint;
  for (const [x, y] of [[4, 4], [12, 12]]) {
    ink.beginPath();
    ink.arc(x, y, 1.8, 0, 2 * Math.PI);
    ink.fill();
  }
  return pen.createPattern(tile, 'repeat');
}

function source_edge(pen) {
  pen.lineCap = 'round';
  for (const [wide, tint] of [[4.5, '#fff'], [2, INK]]) {
    pen.setLineDash([0.01, 5]);
    pen.lineWidth = wide;
    pen.strokeStyle = tint;
    pen.stroke();
  }
  pen.setLineDash([]);
}

function sample_mark(pen, x, y, mark, grade_class, r = 6) {
  pen.beginPath();
  pen.moveTo(x, y - r);
  pen.lineTo(x + r, y);
  pen.lineTo(x, y + r);
  pen.lineTo(x - r, y);
  pen.closePath();
  pen.lineWidth = 4.5;
  pen.strokeStyle = '#fff';
  pen.stroke();
  pen.fillStyle = mark.grade === null ? '#fff' : GRADE_COLOURS[grade_class];
  pen.fill();
  pen.lineWidth = 1.6;
  pen.strokeStyle = INK;
  pen.stroke();
}

function access_mark(pen, x, y, name) {
  pen.beginPath();
  pen.moveTo(x, y);
  pen.lineTo(x, y - 20);
  pen.lineTo(x + 15, y - 15);
  pen.lineTo(x, y - 10);
  pen.lineWidth = 5;
  pen.lineJoin = 'round';
  pen.strokeStyle = '#fff';
  pen.stroke();
  pen.fillStyle = BOUND;
  pen.fill();
  pen.lineWidth = 2.2;
  pen.strokeStyle = BOUND;
  pen.stroke();
  if (name) label(pen, x + 20, y - 14, name, BOUND);
}

// A sampling walk: a light line with a dark core, and a numbered square at each stop.
function walk_line(pen, spots, ink = WALK) {
  pen.setLineDash([]);
  pen.lineJoin = 'round';
  for (const [wide, tint] of [[5.5, '#fff'], [2.4, ink]]) {
    pen.lineWidth = wide;
    pen.strokeStyle = tint;
    pen.beginPath();
    for (const [x, y] of spots) pen.lineTo(x, y);
    pen.stroke();
  }
}

function walk_stop(pen, x, y, text, ink = WALK) {
  pen.fillStyle = ink;
  pen.strokeStyle = '#fff';
  pen.lineWidth = 2;
  pen.beginPath();
  pen.rect(x - 9, y - 9, 18, 18);
  pen.fill();
  pen.stroke();
  pen.font = '700 11px system-ui, sans-serif';
  pen.textAlign = 'center';
  pen.textBaseline = 'middle';
  pen.fillStyle = '#fff';
  pen.fillText(text, x, y + 0.5);
}

// Where to sample next: an open square on its tip with a letter beside it.
function next_mark(pen, x, y, letter) {
  pen.lineCap = 'butt';
  for (const [wide, tint] of [[6, '#fff'], [2.6, MEND]]) {
    pen.lineWidth = wide;
    pen.strokeStyle = tint;
    pen.beginPath();
    for (const [across, down] of [[0, -9], [9, 0], [0, 9], [-9, 0]]) pen.lineTo(x + across, y + down);
    pen.closePath();
    pen.stroke();
  }
  label(pen, x + 13, y, letter, MEND);
}

// Where the ground was mended: a way cut through a dam is a barred line, a filled hollow a level in a ring, a
// closed hole a ring with a point.
function mend_mark(pen, spots, kind) {
  pen.lineCap = 'butt';
  for (const [wide, tint] of [[6.5, '#fff'], [3, MEND]]) {
    pen.lineWidth = wide;
    pen.strokeStyle = tint;
    pen.beginPath();
    if (kind === 'hollow') {
      const [x, y] = spots[0];
      pen.arc(x, y, 7, 0, 2 * Math.PI);
      pen.moveTo(x - 4.5, y);
      pen.lineTo(x + 4.5, y);
    } else if (kind === 'hole') {
      const [x, y] = spots[0];
      pen.arc(x, y, 7, 0, 2 * Math.PI);
      pen.moveTo(x - 1.5, y);
      pen.lineTo(x + 1.5, y);
    } else {
      spots.forEach(([x, y], n) => (n ? pen.lineTo(x, y) : pen.moveTo(x, y)));
      // A bar across each end, so that a cut shows from afar where it is shorter than its mark.
      const [[ax, ay], [bx, by]] = [spots[0], spots.at(-1)];
      const far = Math.hypot(bx - ax, by - ay) || 1;
      const [across, down] = [(-6 * (by - ay)) / far || 0, (6 * (bx - ax)) / far || 6];
      for (const [x, y] of [spots[0], spots.at(-1)]) {
        pen.moveTo(x - across, y - down);
        pen.lineTo(x + across, y + down);
      }
    }
    pen.stroke();
  }
}

function label(pen, x, y, text, tint) {
  pen.font = '600 13px system-ui, sans-serif';
  pen.textAlign = 'left';
  pen.textBaseline = 'middle';
  pen.lineWidth = 4;
  pen.strokeStyle = 'rgba(255, 253, 248, .92)';
  pen.strokeText(text, x, y);
  pen.fillStyle = tint;
  pen.fillText(text, x, y);
}

function badge(pen, x, y, text, chosen, radius = 11) {
  pen.beginPath();
  pen.arc(x, y, radius, 0, 2 * Math.PI);
  pen.fillStyle = chosen ? CHOSEN : '#fffdf8';
  pen.fill();
  pen.lineWidth = 2;
  pen.strokeStyle = INK;
  pen.stroke();
  pen.font = `700 ${radius + 1}px system-ui, sans-serif`;
  pen.textAlign = 'center';
  pen.textBaseline = 'middle';
  pen.fillStyle = INK;
  pen.fillText(text, x, y + 0.5);
}

function cross(pen, x, y) {
  const r = 4.5;
  for (const [width, tint] of [[4.5, '#fff'], [2, INK]]) {
    pen.lineWidth = width;
    pen.strokeStyle = tint;
    pen.beginPath();
    pen.moveTo(x - r, y - r);
    pen.lineTo(x + r, y + r);
    pen.moveTo(x + r, y - r);
    pen.lineTo(x - r, y + r);
    pen.stroke();
  }
}

// Written down here and not in the notebook yet: a plus in a circle.
function entry_mark(pen, x, y) {
  pen.setLineDash([]);
  pen.beginPath();
  pen.arc(x, y, 8, 0, 2 * Math.PI);
  pen.fillStyle = ENTRY;
  pen.fill();
  pen.lineWidth = 2.5;
  pen.strokeStyle = '#fff';
  pen.stroke();
  pen.beginPath();
  pen.moveTo(x - 4, y);
  pen.lineTo(x + 4, y);
  pen.moveTo(x, y - 4);
  pen.lineTo(x, y + 4);
  pen.lineWidth = 2;
  pen.stroke();
}

// Where the phone is, and within which circle it says that it is.
function here_mark(pen, x, y, radius) {
  pen.setLineDash([]);
  if (radius > 8) {
    pen.beginPath();
    pen.arc(x, y, radius, 0, 2 * Math.PI);
    pen.globalAlpha = 0.16;
    pen.fillStyle = HERE;
    pen.fill();
    pen.globalAlpha = 1;
    pen.lineWidth = 1.5;
    pen.strokeStyle = HERE;
    pen.stroke();
  }
  for (const [r, tint] of [[10, '#fff'], [7.5, HERE]]) {
    pen.beginPath();
    pen.arc(x, y, r, 0, 2 * Math.PI);
    pen.fillStyle = tint;
    pen.fill();
  }
}
