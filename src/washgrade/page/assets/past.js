// The past of one reach: what the grade was thought to be, what happened, and what was left.
const EVENT_INK = {sample: 'ink', storm: 'here', dig: 'mend', look: 'quiet'};
const days_of = (text) => Date.parse(`${text}T00:00:00Z`) / 86400000;

function past_picture(land, reach) {
  const past = land.past?.get(reach);
  if (!past) return null;
  const {days} = land.history;
  const [left, wide, top, tall] = [54, 390, 8, 92];
  const first = days_of(days[0]);
  const last = Math.max(days_of(days.at(-1)), first + 1);
  const across = (day) => left + (wide * (days_of(day) - first)) / (last - first);
  const most = Math.max(0.02, Math.min(1, 1.05 * Math.max(...past.grade_p90)));
  const down = (grade) => top + tall - tall * Math.sqrt(Math.min(grade, most) / most);
  const events = land.history.events.filter((event) => !event.reach || event.reach === land.reach[reach]);
  const text = (x, y, anchor, words) => draw('text', {x, y, 'font-size': 12, 'text-anchor': anchor, fill: INK, text: words});
  const told = days.map((day, n) => `${day} ${percent(past.grade_mean[n])}`).join(', ');
  const picture = draw('svg', {class: 'span', viewBox: `0 0 452 ${top + tall + 24}`, role: 'img', 'aria-label': `Grade as thought on each day: ${told}`});
  const line = (values) => days.map((day, n) => `${across(day)},${down(values[n])}`);
  picture.append(draw('polygon', {points: [...line(past.grade_p10), ...line(past.grade_p90).reverse()].join(' '), class: 'earth'}));
  for (const event of events) {
    picture.append(draw('line', {x1: across(event.day), x2: across(event.day), y1: top, y2: top + tall, stroke: colour(EVENT_INK[event.kind]), 'stroke-width': 2, 'stroke-dasharray': event.kind === 'storm' ? '' : '4 3'}));
  }
  picture.append(
    draw('polyline', {points: line(past.grade_mean).join(' '), fill: 'none', stroke: INK, 'stroke-width': 2.5}),
    ...days.map((day, n) => draw('circle', {cx: across(day), cy: down(past.grade_mean[n]), r: 3, fill: INK})),
    draw('line', {x1: left, x2: left + wide, y1: top + tall, y2: top + tall, stroke: INK}),
    text(left - 5, top + 10, 'end', percent(most)), text(left - 5, top + tall, 'end', '0'),
    text(left, top + tall + 17, 'start', days[0]), text(left + wide, top + tall + 17, 'end', days.at(-1)));
  return picture;
}

function past_lines(land, reach, units) {
  const past = land.past?.get(reach);
  if (!past) return [];
  const mine = land.history.events.filter((event) => !event.reach || event.reach === land.reach[reach]);
  const told = mine.slice(-12).map((event) => `${event.day}: ${event.kind}, ${event.told[units === 'us' ? 0 : 1]}`);
  if (past.left_share && Number.isFinite(past.left_share.at(-1))) told.push(`Left of what it held: ${percent(past.left_share.at(-1))}`);
  return told;
}
