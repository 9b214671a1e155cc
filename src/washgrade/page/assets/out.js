// Entries as files that `washgrade add` takes in: GeoJSON and CSV, the columns as they were filled in.
const said = (value) => value !== undefined && value !== null && value !== '';

function as_geojson(entries) {
  const features = entries.map(({id, one, cells}) => {
    const {lon, lat, ...rest} = cells;
    const place = said(lon) && said(lat) ? {type: 'Point', coordinates: [lon, lat]} : null;
    return JSON.stringify({type: 'Feature', id, geometry: place, properties: {kind: one, id, ...rest}});
  });
  return `{"type": "FeatureCollection", "features": [\n${features.join(',\n')}\n]}\n`;
}

function as_csv(entries) {
  const names = ['kind', 'id'];
  for (const {cells} of entries) for (const name of Object.keys(cells)) if (!names.includes(name)) names.push(name);
  const cell = (value) => {
    if (!said(value)) return '';
    const text = String(value);
    return /[",\r\n;\t]/.test(text) || text !== text.trim() ? `"${text.replaceAll('"', '""')}"` : text;
  };
  const rows = entries.map(({id, one, cells}) => names.map((name) => cell({...cells, kind: one, id}[name])).join(','));
  return [names.join(','), ...rows].join('\r\n') + '\r\n';
}

const FORMATS = {
  geojson: {write: as_geojson, type: 'application/geo+json'},
  csv: {write: as_csv, type: 'text/csv'},
};

function file_of(form, entries, name) {
  return new File([FORMATS[form].write(entries)], `${name}.${form}`, {type: FORMATS[form].type});
}

function download(file) {
  const link = make('a', {href: URL.createObjectURL(file), download: file.name});
  document.body.append(link);
  link.click();
  link.remove();
  // Some browsers read the file only after the click has returned.
  setTimeout(() => URL.revokeObjectURL(link.href), 60000);
}

// The share sheet takes few kinds of files; CSV is among them everywhere.
function shareable(entries, name) {
  if (!navigator.canShare) return null;
  return ['geojson', 'csv'].map((form) => file_of(form, entries, name)).find((file) => navigator.canShare({files: [file]})) ?? null;
}
