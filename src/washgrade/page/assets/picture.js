// The view as a picture: relief, washes and marks as they stand, with heading, legend and scale under it.
function save_picture(land, state, sheet, relief, name) {
  const size = map.getSize();
  const dots = 2;
  const [pad, head_tall] = [12, 44];
  const theme = lines.theme;
  const words = theme_words(theme, state.units);
  const tints = theme_colours(theme);
  const across = Math.max(1, Math.floor((size.x - 2 * pad) / 170));
  const rows = Math.ceil(words.length / across);
  const foot_tall = 30 + 20 * rows + 34;
  const canvas = document.createElement('canvas');
  canvas.width = size.x * dots;
  canvas.height = (head_tall + size.y + foot_tall) * dots;
  const pen = canvas.getContext('2d');
  pen.scale(dots, dots);
  pen.fillStyle = colour('raised');
  pen.fillRect(0, 0, size.x, canvas.height / dots);
  pen.save();
  pen.beginPath();
  pen.rect(0, head_tall, size.x, size.y);
  pen.clip();
  pen.fillStyle = '#ece4d6';
  pen.fill();
  if (relief && relief.options.opacity > 0) {
    const from = map.latLngToContainerPoint(relief.getBounds().getNorthWest());
    const to = map.latLngToContainerPoint(relief.getBounds().getSouthEast());
    pen.filter = getComputedStyle(relief.getElement()).filter;
    pen.drawImage(relief.getElement(), from.x, head_tall + from.y, to.x - from.x, to.y - from.y);
    pen.filter = 'none';
  }
  const corner = map.layerPointToContainerPoint(sheet.corner);
  pen.drawImage(sheet.canvas, corner.x, head_tall + corner.y, sheet.full.x, sheet.full.y);
  pen.restore();
  pen.fillStyle = INK;
  pen.textBaseline = 'middle';
  pen.font = '650 17px system-ui, sans-serif';
  pen.fillText(land.title, pad, 16, size.x - 2 * pad);
  pen.font = '13px system-ui, sans-serif';
  pen.fillText(document.getElementById('headline').textContent.replace(/\s+/g, ' ').trim(), pad, 34, size.x - 2 * pad);
  let y = head_tall + size.y + 16;
  pen.font = '650 13px system-ui, sans-serif';
  pen.fillText(theme.head + theme_unit(theme, state.units), pad, y);
  pen.font = '13px system-ui, sans-serif';
  words.forEach((text, n) => {
    const x = pad + 170 * (n % across);
    const at = y + 20 * (1 + Math.floor(n / across));
    pen.fillStyle = tints[n].edge;
    pen.fillRect(x - 1, at - 5, 30, 10);
    pen.fillStyle = tints[n].tint;
    pen.fillRect(x, at - 4, 28, 8);
    pen.fillStyle = INK;
    pen.fillText(text, x + 36, at);
  });
  y += 20 * (rows + 1) + 6;
  // A round length of about a quarter of the width.
  const metres = map.distance(map.containerPointToLatLng([0, size.y / 2]), map.containerPointToLatLng([size.x, size.y / 2]));
  const unit_m = state.units === 'us' ? (metres / 4 > 1200 ? 5280 * FOOT_M : FOOT_M) : 1;
  const goal = metres / 4 / unit_m;
  const power = 10 ** Math.floor(Math.log10(goal));
  const round = [5, 2, 1].find((n) => n * power <= goal) * power;
  const long = (round * unit_m * size.x) / metres;
  pen.fillRect(pad, y + 2, long, 3);
  pen.fillText(`${show('length', round * unit_m, state.units)}; north is up. Estimates, not promises.`, pad + long + 10, y + 3);
  canvas.toBlob((blob) => download(new File([blob], name, {type: 'image/png'})), 'image/png');
}
