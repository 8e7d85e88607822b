// Shows the numbers under the pointer, or under the arrow keys on a focused figure.
(() => {
  const { rpm, columns } = JSON.parse(document.getElementById('numbers').textContent);
  const readout = document.querySelector('.readout');
  const scale = svg => {
    const { left, right, top, bottom, low, high } = svg.querySelector('.scale').dataset;
    return { left: +left, right: +right, top: +top, bottom: +bottom, low: +low, high: +high };
  };
  const decimals = band => Math.max(0, Math.min(4, Math.ceil(-Math.log10(band / 3))));
  const value = ({ unit, signed, values, band }, i) => {
    const d = decimals(band[i]);
    const sign = signed && values[i] > 0 ? '+' : '';
    return `${sign}${values[i].toFixed(d)} ± ${band[i].toFixed(d)} ${unit}`.replace('-', '−');
  };
  // Torque and power of a curve stand together.
  const labels = [...new Set(columns.map(column => column.label))];
  const entry = (label, i) => {
    const name = document.createElement('i');
    name.textContent = `${label} `;
    const all = columns.filter(column => column.label === label).map(column => value(column, i));
    const span = document.createElement('span');
    span.append(name, all.join(', '));
    return span;
  };
  let at = -1;
  const show = i => {
    at = Math.max(0, Math.min(rpm.length - 1, i));
    const speed = document.createElement('b');
    speed.textContent = `${rpm[at].toFixed(0)} rpm`;
    readout.replaceChildren(speed, ...labels.map(label => entry(label, at)));
    readout.hidden = false;
    for (const svg of document.querySelectorAll('figure > svg')) {
      const { left, right, top, bottom, low, high } = scale(svg);
      let cursor = svg.querySelector('.cursor');
      if (!cursor) {
        cursor = document.createElementNS('http://www.w3.org/2000/svg', 'line');
        cursor.setAttribute('class', 'cursor');
        svg.append(cursor);
      }
      const x = left + (rpm[at] - low) / (high - low) * (right - left);
      for (const [key, value] of Object.entries({ x1: x, x2: x, y1: top, y2: bottom })) cursor.setAttribute(key, value);
    }
  };
  const nearest = speed => {
    let best = 0;
    rpm.forEach((r, i) => { if (Math.abs(r - speed) < Math.abs(rpm[best] - speed)) best = i; });
    return best;
  };
  for (const svg of document.querySelectorAll('figure > svg')) {
    svg.addEventListener('pointermove', event => {
      const { left, right, low, high } = scale(svg);
      const box = svg.getBoundingClientRect();
      const x = (event.clientX - box.left) / box.width * svg.viewBox.baseVal.width;
      if (x >= left && x <= right) show(nearest(low + (x - left) / (right - left) * (high - low)));
    });
  }
  for (const figure of document.querySelectorAll('figure')) {
    figure.addEventListener('keydown', event => {
      const step = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
      if (!step) return;
      event.preventDefault();
      show(at < 0 ? Math.floor(rpm.length / 2) : at + step);
    });
  }
})();
