// On the way: the dot of one's own position, and how far it is to the next stop of the walk or of the day.
const THERE_M = 15;

function guide_part(land, state, sheet, {show_stop}) {
  const button = document.getElementById('locate');
  const strip = document.getElementById('guide');
  const routes = [land.walk && {name: 'walk', route: land.walk}, land.day_plan && {name: 'day', route: land.day_plan}].filter(Boolean);
  let stop = null;
  let here = null;
  let chosen = routes[0] ?? null;
  let next = 0;
  let told = '';
  let seen = false;

  // Said aloud only when something changes that matters: not with every metre.
  function tell() {
    strip.hidden = !stop && !here;
    if (strip.hidden) return;
    const parts = [];
    if (!here) parts.push(make('span', {text: told || 'Waiting for the position …'}));
    else if (!chosen) parts.push(make('span', {text: `You are within ${show('length', here.accuracy_m, state.units)}.`}));
    else if (next >= chosen.route.stops.length) parts.push(make('span', {text: 'That was the last stop.'}));
    else {
      const goal = chosen.route.stops[next];
      const {far_m, bearing_deg} = way_to([here.lat, here.lon], [goal.lat, goal.lon]);
      const near = far_m < Math.max(THERE_M, here.accuracy_m);
      parts.push(make('button', {type: 'button', class: 'goal', text: `Stop ${next + 1}, ${goal.reach}`, on: {click: () => show_stop(chosen.name, goal)}}),
        draw('svg', {viewBox: '0 0 24 24', width: 24, height: 24, 'aria-hidden': 'true'},
          draw('path', {d: 'M12 2 19 21 12 16 5 21Z', fill: 'currentColor', transform: `rotate(${Math.round(bearing_deg)} 12 12)`})),
        make('span', {text: near ? 'here' : `${show('length', far_m, state.units)} ${point_of(bearing_deg)} (${Math.round(bearing_deg)}°)`}));
      parts.push(make('button', {type: 'button', text: 'Next', 'aria-label': 'Go on to the next stop', on: {click: () => { next += 1; tell(); }}}));
    }
    if (next > 0 && chosen) parts.push(make('button', {type: 'button', text: 'Back', 'aria-label': 'Back to the stop before', on: {click: () => { next -= 1; tell(); }}}));
    if (routes.length > 1) {
      const other = routes.find((one) => one !== chosen);
      parts.push(make('button', {type: 'button', text: other.name === 'walk' ? 'Walk' : 'Day', 'aria-label': `Follow the ${other.name === 'walk' ? 'sampling walk' : 'digging day'} instead`, on: {click: () => { chosen = other; next = 0; tell(); }}}));
    }
    strip.replaceChildren(...parts);
  }

  function off() {
    stop?.();
    stop = null;
    here = null;
    sheet.here = null;
    sheet.redraw();
    button.setAttribute('aria-pressed', 'false');
    tell();
  }

  button.addEventListener('click', () => {
    if (stop) {
      off();
      return;
    }
    button.setAttribute('aria-pressed', 'true');
    told = '';
    seen = false;
    stop = listen({
      fix({now}) {
        here = now;
        sheet.here = {...land.point({lat: now.lat, lon: now.lon}), accuracy_m: now.accuracy_m};
        sheet.redraw();
        // Led there once; afterwards the map is the reader's again.
        if (!seen && (!land.ground || inside(land.ground, now)) && !map.getBounds().contains([now.lat, now.lon])) map.panTo([now.lat, now.lon], {animate: false});
        seen = true;
        tell();
      },
      fail(text, some) {
        if (some) return;
        told = text;
        here = null;
        tell();
      },
    });
    tell();
  });
  return {tell};
}
