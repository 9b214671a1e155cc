// Numbers in words, the same as the command line's: SI in, customary or metric out.
const POUND_KG = 0.45359237;
const FOOT_M = 0.3048;
const SIZES = {
  depth: {us: [[0.0254, 'in']], metric: [[0.01, 'cm']]},
  length: {us: [[5280 * FOOT_M, 'mi'], [FOOT_M, 'ft']], metric: [[1000, 'km'], [1, 'm']]},
  mass: {us: [[POUND_KG, 'lb'], [POUND_KG / 16, 'oz']], metric: [[1, 'kg'], [0.001, 'g']]},
  area: {
    us: [[(5280 * FOOT_M) ** 2, 'sq mi'], [43560 * FOOT_M ** 2, 'acres'], [FOOT_M ** 2, 'sq ft']],
    metric: [[1e6, 'km²'], [1e4, 'ha'], [1, 'm²']],
  },
};

function grouped(value, least, most) {
  return value.toLocaleString('en-US', {minimumFractionDigits: least, maximumFractionDigits: most});
}

function show(kind, value, units) {
  if (!Number.isFinite(value)) return '–';
  const sizes = SIZES[kind][units];
  // Half a last digit of slack: 0.99999 lb is shown as 1 lb, not as 16 oz.
  const [size, name] = sizes.find(([s]) => Math.abs(value) / s >= 0.95) ?? sizes.at(-1);
  const shown = value / size;
  return `${grouped(shown, 0, Math.abs(shown) >= 99.95 ? 0 : 1)} ${name}`;
}

const counted = (number, one, many = `${one}s`) => `${grouped(number, 0, 0)} ${number === 1 ? one : many}`;

function percent(share) {
  if (!Number.isFinite(share)) return '–';
  if (share > 0 && share < 0.0001) return '<0.01 %';
  return `${grouped(100 * share, 0, share === 0 || share >= 0.001 ? 1 : 2)} %`;
}

function chance(share) {
  if (share < 0.01) return 'under 1 %';
  if (share > 0.99) return 'over 99 %';
  return `${Math.round(100 * share)} %`;
}

const load_unit = (units) => (units === 'us' ? 'lb' : 'kg');
const load_amount = (kg, units) => {
  const amount = units === 'us' ? kg / POUND_KG : kg;
  return grouped(amount, amount < 10 ? 2 : 1, amount < 10 ? 2 : 1);
};

const DOUBT_WORDS = ['Fairly sure', 'Rough', 'A guess'];
const DOUBT_DASH = [[], [3, 2.2], [0.01, 2.2]];

// Elements are made by name and filled by textContent only: no text is ever read as markup.
function make(tag, fill = {}, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(fill)) {
    if (name === 'text') node.textContent = value;
    else if (name === 'on') for (const [event, run] of Object.entries(value)) node.addEventListener(event, run);
    else node.setAttribute(name, value);
  }
  node.append(...children);
  return node;
}

function draw(tag, fill = {}, ...children) {
  const node = document.createElementNS('http://www.w3.org/2000/svg', tag);
  for (const [name, value] of Object.entries(fill)) {
    if (name === 'text') node.textContent = value;
    else node.setAttribute(name, value);
  }
  node.append(...children);
  return node;
}
