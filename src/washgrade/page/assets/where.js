// The part of a form that asks for a place: the phone's position, the cross on the map, typed coordinates, or
// the name of a reach. Refused or missing positions leave the other ways open.
const NEAR_M = 1;

function place_part(land, {title, by_reach = false, optional = false, units, start, changed, mark}) {
  const {snap_max_m, accuracy_most_m} = land.entering;
  // What stands: {lat, lon, accuracy_m}, {reach}, or nothing.
  let place = null;
  let before = null;
  let stop = () => {};
  const told = make('p', {class: 'told', role: 'status'});
  const offer = make('div', {class: 'offer'});
  const fault = make('p', {class: 'fault', hidden: ''});
  const ways = make('div', {class: 'ways'});
  const more = make('div', {class: 'way'});
  const metres = (value_m) => show('length', value_m, units());

  function tell() {
    offer.replaceChildren();
    if (!place) told.textContent = optional ? 'No place: it concerns the whole ground.' : 'No place yet.';
    else if (place.reach) told.textContent = `Reach ${place.reach}.`;
    else {
      const sure = place.accuracy_m === undefined ? '' : ` ± ${metres(place.accuracy_m)}`;
      told.textContent = `${place.lat.toFixed(6)}, ${place.lon.toFixed(6)}${sure}`;
      suggest();
    }
    mark(place?.lat === undefined ? null : place);
    changed();
  }

  // Only a suggestion: a sample from the bank above the wash is no sample of the wash.
  function suggest() {
    const near = nearest_wash(land, place.lat, place.lon);
    const name = land.reach[near.reach];
    if (before) {
      offer.append(make('p', {text: `Moved ${metres(way_to([before.lat, before.lon], [place.lat, place.lon]).far_m)} onto reach ${name}.`}),
        make('button', {type: 'button', text: 'Put it back', on: {click: () => { place = before; before = null; tell(); }}}));
    } else if (near.away_m > snap_max_m) {
      offer.append(make('p', {text: `${metres(near.away_m)} from the nearest wash (${name}): beyond ${metres(snap_max_m)} the estimate does not count it.`}));
    }
    if (!before && near.away_m > NEAR_M && near.away_m < 10 * snap_max_m) {
      offer.append(make('button', {type: 'button', class: 'move', text: `Move ${metres(near.away_m)} to reach ${name}`, on: {click: () => {
        before = place;
        place = {...place, lat: near.lat, lon: near.lon};
        tell();
      }}}));
    } else if (!before && near.away_m <= NEAR_M) {
      offer.append(make('p', {text: `On reach ${name}.`}));
    }
  }

  function put(found) {
    before = null;
    place = found;
    tell();
  }

  function close() {
    stop();
    stop = () => {};
    aim(null);
    more.replaceChildren();
    for (const button of ways.children) button.setAttribute('aria-pressed', 'false');
  }

  const take = {
    here() {
      const end = make('button', {type: 'button', text: 'That will do', on: {click: close}});
      const progress = make('p', {role: 'status', text: 'Waiting for the first fix …'});
      more.replaceChildren(progress, end);
      stop = listen({
        fix({best, count}) {
          put({lat: best.lat, lon: best.lon, accuracy_m: Math.min(best.accuracy_m, accuracy_most_m)});
          progress.textContent = `Best of ${count} ${count === 1 ? 'fix' : 'fixes'}: ± ${metres(best.accuracy_m)}. Hold still, it gets better.`;
        },
        fail(text, some) {
          // A fix that came before is worth more than the silence after it.
          if (some) return;
          more.replaceChildren(make('p', {class: 'refused', role: 'alert', text}));
        },
        until: (best, count) => best.accuracy_m <= GOOD_ENOUGH_M && count > 2,
      });
    },
    cross() {
      more.replaceChildren(make('p', {text: 'Move the map until the cross lies on the place.'}),
        make('button', {type: 'button', text: 'Take this place', on: {click: close}}));
      aim((lat, lon) => put({lat, lon}));
    },
    typed() {
      const box = make('input', {type: 'text', id: `${title}-typed`, autocomplete: 'off', spellcheck: 'false'});
      const wrong = make('p', {class: 'fault', hidden: '', id: `${title}-typed-fault`});
      if (place?.lat !== undefined) box.value = `${place.lat.toFixed(6)}, ${place.lon.toFixed(6)}`;
      box.setAttribute('aria-describedby', wrong.id);
      const read = () => {
        const found = read_coordinates(box.value);
        wrong.hidden = Boolean(found) || !box.value;
        wrong.textContent = 'Latitude, then longitude in degrees, such as 36.32577, -3.00805; west of Greenwich has a minus.';
        if (found) put({...found});
        else put(null);
      };
      box.addEventListener('change', read);
      more.replaceChildren(make('label', {for: box.id, text: 'Latitude, longitude'}), box, wrong);
      box.focus();
    },
    reach() {
      const box = make('input', {type: 'text', id: `${title}-reach`, autocomplete: 'off', spellcheck: 'false', autocapitalize: 'characters'});
      const wrong = make('p', {class: 'fault', hidden: '', id: `${title}-reach-fault`});
      box.setAttribute('aria-describedby', wrong.id);
      box.value = place?.reach ?? (start >= 0 ? land.reach[start] : '');
      const read = () => {
        const name = box.value.trim().toUpperCase();
        const known = land.reach.includes(name);
        wrong.hidden = known || !name;
        wrong.textContent = 'No reach of this map is called so. Tap one on the map to read its name.';
        put(known ? {reach: name} : null);
      };
      box.addEventListener('change', read);
      more.replaceChildren(make('label', {for: box.id, text: 'Name of the reach'}), box, wrong);
      if (box.value) read();
      box.focus();
    },
    none() {
      put(null);
    },
  };
  const names = [['here', 'My position'], ['cross', 'Map cross'], ['typed', 'Typed'], ...(by_reach ? [['reach', 'Reach']] : []), ...(optional ? [['none', 'No place']] : [])];
  for (const [way, text] of names) {
    ways.append(make('button', {type: 'button', 'aria-pressed': 'false', 'data-way': way, text, on: {click: (event) => {
      close();
      event.currentTarget.setAttribute('aria-pressed', 'true');
      take[way]();
    }}}));
  }
  tell();
  return {
    node: make('fieldset', {class: 'where'}, make('legend', {text: title}), ways, more, told, offer, fault),
    get: () => place,
    set: (found) => put(found),
    close,
    ask: (way) => ways.querySelector(`[data-way=${way}]`).click(),
    complain(text) {
      fault.hidden = !text;
      fault.textContent = text ?? '';
    },
    focus: () => ways.firstChild.focus(),
  };
}

// The cross in the middle of the map; it follows the map until somebody else takes it.
let aimed = null;
function aim(run) {
  if (aimed) map.off('move', aimed);
  aimed = run && (() => {
    const centre = map.getCenter();
    run(Number(centre.lat.toFixed(7)), Number(centre.lng.toFixed(7)));
  });
  document.getElementById('cross').hidden = !run;
  if (!aimed) return;
  map.on('move', aimed);
  aimed();
}
