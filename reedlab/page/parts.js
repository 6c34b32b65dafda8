// Pieces of a page, made as nodes and never as markup: text stays text. Joined before page.js.

function make(tag, settings = {}, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(settings)) {
    if (name === "class") node.className = value;
    else if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else if (value === true) node.setAttribute(name, "");
    else if (value !== false && value !== null) node.setAttribute(name, value);
  }
  node.append(...children.filter((child) => child !== null));
  return node;
}

function button(text, key, act, kind = "") {
  const hint = key ? make("span", { class: "rl-key" }, key) : null;
  return make("button", { type: "button", class: kind, onclick: act }, make("span", {}, text), hint);
}

function fill(node, ...children) {
  node.replaceChildren(...children.filter((child) => child !== null));
}
