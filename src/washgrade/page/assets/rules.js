// What a record must obey, as the notebook will judge it: the same rules, so that nothing comes home in vain.
// The limits of single values come with the form; here is only what values owe each other.
const SLACK = 1 + 1e-9;

// Values in the dictionary's own units by its names; what was not filled in is not there.
function judge(kind, values, {purest_kg_m3}) {
  const faults = [];
  const say = (field, text) => faults.push({field, text});
  const has = (...names) => names.every((name) => values[name] !== undefined);
  ({samples: judge_sample, digs: judge_dig, looks: judge_look, storms: judge_storm})[kind](values, has, say, purest_kg_m3);
  return faults;
}

function judge_sample(values, has, say, purest) {
  const placed = has('lon', 'lat');
  if (!placed) say('where', 'A sample needs its place.');
  const weighed = has('dry_mass_kg') || has('wet_mass_kg', 'moisture') || has('volume_litres');
  if (!(has('grade') || has('trace') || has('below') || (has('magnetic_mass_kg') && weighed))) {
    say(has('magnetic_mass_kg') ? 'dry_mass_kg' : 'magnetic_mass_kg', 'Fill in the magnetics and the dry sand (or wet sand and moisture, or a volume, under More), or say that it is only a trace.');
  }
  const {wet_mass_kg: wet, moisture, magnetic_mass_kg: magnetic, volume_litres: litres} = values;
  let {dry_mass_kg: dry, grade} = values;
  if (has('wet_mass_kg') && !has('moisture') && dry === undefined) say('moisture', 'Wet sand needs its moisture, or the dry sand instead.');
  if (has('wet_mass_kg') && dry !== undefined && dry > wet * SLACK) {
    say('dry_mass_kg', 'Dry sand cannot weigh more than it did wet.');
  } else if (has('wet_mass_kg', 'moisture')) {
    const made = wet * (1 - moisture);
    if (dry === undefined && made <= 0) say('moisture', 'All water and no sand: moisture must be below 100 %.');
    else if (dry === undefined) dry = made;
    else if (Math.abs(dry - made) > 0.02 * wet) say('dry_mass_kg', 'Dry sand, wet sand and moisture do not go together. Leave one of them out.');
  }
  if (magnetic !== undefined && dry !== undefined) {
    if (magnetic > dry * SLACK) {
      say('magnetic_mass_kg', 'The magnetics cannot weigh more than all of the dry sand.');
    } else {
      const made = Math.min(magnetic / dry, 1);
      if (grade === undefined) grade = made;
      else if (Math.abs(grade - made) > 0.001 + 0.02 * made) say('grade', 'The grade is not what the masses give. Leave one of them out.');
    }
  }
  if (has('trace') && grade) say('trace', 'A trace has no grade and no mass of magnetics. Leave one of them out.');
  if (magnetic !== undefined && litres !== undefined && magnetic > (purest / 1000) * litres) say('volume_litres', 'So much magnetics does not fit into that volume. Is the unit right?');
  const top = values.depth_top_m ?? 0;
  const bottom = values.depth_bottom_m;
  if (bottom === undefined && top > 0) say('depth_bottom_m', 'A layer that begins below the bed needs its lower depth, too.');
  if (bottom !== undefined && top >= bottom) say('depth_bottom_m', 'The lower depth must be deeper than the upper one.');
  if (has('below')) {
    if (!(values.below > 0 && values.below < 1)) say('below', 'This must be above 0 and below 100 %.');
    else if (grade || magnetic) say('below', 'This is for a trace: leave it out where there is a grade or a mass of magnetics.');
  }
}

function judge_dig(values, has, say) {
  if (!has('lon', 'lat') && !has('reach')) say('where', 'A dig needs its place, or the name of its reach.');
  if (has('end_lon', 'end_lat') && !has('lon', 'lat')) say('end', 'A stretch needs both of its ends as places, not a reach.');
  if (!(has('loads') || has('buckets') || has('volume_litres') || has('product_mass_kg'))) {
    say('loads', 'Say how much: loads, buckets, litres of sand or the clean product.');
  }
  if (has('bucket_litres') && !has('buckets')) say('buckets', 'There is the size of a bucket: how many were filled?');
  if (has('purity') && !has('product_mass_kg')) say('product_mass_kg', 'There is a share of magnetics: what did the product weigh?');
}

function judge_look(values, has, say) {
  if (!has('lon', 'lat') && !has('reach')) say('where', 'A look needs its place, or the name of its reach.');
  if (!has('seen')) say('seen', 'Say what you see.');
  if (values.seen === 'buried' && !has('depth_m')) say('depth_m', 'How deep is the streak buried?');
  if (has('seen') && values.seen !== 'buried' && has('depth_m')) say('depth_m', 'Only a buried streak has a depth.');
}

function judge_storm(values, has, say) {
  const marked = has('mark_depth_m') || has('mark_width_m');
  if (marked && !has('lon', 'lat') && !has('reach')) say('where', 'A flood mark needs its place, or the name of its reach.');
  if (!(marked || has('rain_mm') || has('no_flow'))) say('rain_mm', 'Fill in the rain, or a flood mark, or say that the wash did not run.');
  if (has('no_flow') && marked) say('no_flow', 'The wash did not run, and yet there is a flood mark. Leave one of them out.');
}
