// Small helpers for the document.

export const byId = (id) => document.getElementById(id);

/** Writes a text only when it is another one: an untouched node costs no layout. */
export function setText(node, text) {
  if (node.shown !== text) {
    node.shown = text;
    node.textContent = text;
  }
}

export function setData(node, key, on) {
  if (on) node.dataset[key] = "";
  else delete node.dataset[key];
}

/** An element with properties and children; texts are never read as markup. */
export function make(tag, properties = {}, ...children) {
  const node = document.createElement(tag);
  for (const [key, value] of Object.entries(properties)) {
    if (key in node) node[key] = value;
    else node.setAttribute(key, value);
  }
  node.append(...children);
  return node;
}

/** What a person chose on this device, where the browser lets us keep it. */
export const kept = {
  get(key) {
    try { return localStorage.getItem(`leverarm.${key}`); } catch { return null; }
  },
  set(key, value) {
    try {
      if (value === null) localStorage.removeItem(`leverarm.${key}`);
      else localStorage.setItem(`leverarm.${key}`, value);
    } catch { /* a private window keeps nothing */ }
  },
};
