// What the colour of the washes tells, and the two days that may be looked at.
const lines = {theme: null};

const THEME_VALUES = {
  grade: (land, r) => land.grade_mean[r],
  yield: (land, r) => land.kg_per_load_mean[r],
  doubt: (land, r) => land.grade_p90[r] / Math.max(land.grade_p10[r], 1e-9),
  fresh: (land, r) => land.fresh_share[r],
  left: (land, r) => land.left_share[r],
  change: (land, r) => land.grade_mean[r] / Math.max(land.other.grade_mean[r], 1e-9),
};

// A theme is offered only where the page has what it shows.
function themes_of(land) {
  const there = {fresh: 'fresh_share' in land, left: 'left_share' in land, change: Boolean(land.other)};
  return land.themes.filter(({key}) => there[key] ?? true);
}

const theme_class = (theme, value) => (Number.isNaN(value) ? theme.colours.length : level_of(theme.limits, value));

// Class and line style of every reach: what the sheet draws in one go.
function theme_style(land, theme) {
  const value = THEME_VALUES[theme.key];
  const style = new Uint8Array(land.count);
  for (let r = 0; r < land.count; r += 1) style[r] = 3 * theme_class(theme, value(land, r)) + (theme.dashed ? land.doubt(r) : 0);
  return style;
}

const light_of = (hex) => [1, 3, 5].reduce((sum, n, k) => sum + [0.299, 0.587, 0.114][k] * parseInt(hex.slice(n, n + 2), 16), 0);

// Colours by class, the one for what is not known last; a dark edge holds the light ones against bright ground,
// a light edge the dark ones.
function theme_colours(theme) {
  const tints = [...theme.colours, 'unknown'].map(colour);
  return tints.map((tint) => ({tint, edge: colour(light_of(tint) > 120 ? 'casing-dark' : 'casing-light')}));
}

function theme_words(theme, units) {
  const written = {
    percent: (limit) => grouped(100 * limit, 0, 1),
    mass: (limit) => grouped(units === 'us' ? limit / POUND_KG : limit, 0, 2),
    times: (limit) => grouped(limit, 0, 0),
    change: (limit) => `${limit < 1 ? '−' : '+'}${grouped(100 * Math.abs(limit - 1), 0, 0)}`,
  }[theme.what];
  const limits = theme.limits.map(written);
  return theme.colours.map((_, n) => {
    const span = n === 0 ? `under ${limits[0]}` : limits[n] ? `${limits[n - 1]} to ${limits[n]}` : `over ${limits.at(-1)}`;
    if (theme.what === 'times') return `${n === 0 ? `up to ${limits[0]} times` : limits[n] ? `up to ${limits[n]} times` : 'more'}: ${theme.words[n]}`;
    return span;
  });
}

const theme_unit = (theme, units) => ({percent: ', %', mass: `, ${load_unit(units)}`, times: '', change: ', %'})[theme.what];

// The columns of the one day against those of the other: what is shown is always in the land itself.
function swap_days(land) {
  for (const name of Object.keys(land.other.columns)) [land[name], land.other[name]] = [land.other[name], land[name]];
  [land.day, land.other.day] = [land.other.day, land.day];
  land.by_rank = order_of(land.rank);
  land.swapped = !land.swapped;
}
