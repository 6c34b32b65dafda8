// What can be measured of how the bench page looks. Each gives what falls short, as text.
({
  // Controls with a side shorter than so many CSS px.
  small: (least) => [...document.querySelectorAll(".rl-page :is(button, input, select, summary)")]
    .filter((node) => node.offsetParent)
    .map((node) => [node, node.getBoundingClientRect()])
    .filter(([, box]) => Math.min(box.width, box.height) < least - 0.5)
    .map(([node, box]) => `${node.textContent || node.ariaLabel} ${box.width} ${box.height}`),

  // What reaches over the right edge.
  outside: () => {
    const root = document.querySelector(".rl-page"), edge = root.getBoundingClientRect().right;
    return [...root.querySelectorAll("*")]
      .filter((node) => node.offsetParent && node.getBoundingClientRect().right > edge + 0.5)
      .map((node) => `${node.tagName} ${node.textContent.slice(0, 30)}`);
  },

  // Text whose contrast is lower; luminance and contrast as WCAG 2.2 defines them.
  faint: (least) => {
    const pen = document.createElement("canvas").getContext("2d", { willReadFrequently: true });
    const laid = (colours) => {
      pen.clearRect(0, 0, 1, 1);
      for (const colour of colours) { pen.fillStyle = colour; pen.fillRect(0, 0, 1, 1); }
      return [...pen.getImageData(0, 0, 1, 1).data].slice(0, 3);
    };
    const linear = (part) => (part <= 0.04045 ? part / 12.92 : ((part + 0.055) / 1.055) ** 2.4);
    const light = (colours) => laid(colours)
      .reduce((sum, part, i) => sum + linear(part / 255) * [0.2126, 0.7152, 0.0722][i], 0);
    const grounds = (node) =>
      node ? [...grounds(node.parentElement), getComputedStyle(node).backgroundColor] : ["#fff"];
    const contrast = (node) => {
      const ground = grounds(node);
      const [a, b] = [light(ground), light([...ground, getComputedStyle(node).color])];
      return (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    };
    return [...document.querySelectorAll(".rl-page *")]
      .filter((node) => node.offsetParent && !node.disabled)
      .filter((node) => [...node.childNodes].some((one) => one.nodeType === 3 && one.data.trim()))
      .filter((node) => contrast(node) < least)
      .map((node) => `${node.textContent.slice(0, 30)} ${contrast(node).toFixed(1)}`);
  },
})
