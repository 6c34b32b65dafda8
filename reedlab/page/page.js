// The bench page in the browser: draws the state that the kernel sends, sends what was done.
// It decides nothing: what is accepted, saved or wrong is told by the state. No network.

const PART_BYTES = 1_000_000;
const ANSWER_MS = 8000;
const LONG_MS = 90_000;  // ten minutes of sound, on a slow machine
const PARTS = {
  head: {}, begin: { class: "rl-panel" }, coming: {}, asking: { class: "rl-row" },
  message: { class: "rl-message", role: "status", "aria-live": "polite" },
  work: {}, saved: {}, cares: {},
};
// Of the reed in hand, in the order in which it is tested.
const WORK = {
  hand: {}, steps: { class: "rl-steps" }, meter: { class: "rl-panel", hidden: true },
  take: { class: "rl-panel" }, rating: {}, boxes: { class: "rl-row" }, ending: { class: "rl-row" },
};

function render({ model, el }) {
  const page = { state: model.get("state"), parts: {} };
  let sent = page.state.answered, waiting = null, takes = 0, sure = false;

  // ---- what stands on the page ----
  const root = make("div", {
    class: "rl-page", tabindex: "0", role: "group", "aria-label": "Bench page",
    "data-lm-suppress-shortcuts": "true",
  });
  const add = (to, parts) => {
    for (const [name, settings] of Object.entries(parts)) {
      page.parts[name] = make("div", { "data-part": name, ...settings });
      to.append(page.parts[name]);
    }
  };
  add(root, PARTS);
  add(page.parts.work, WORK);
  const code = make("input", {
    class: "rl-code", "aria-label": "Blind code", maxlength: "12", autocomplete: "off",
    spellcheck: "false", placeholder: "code",
    onkeydown: (event) => { if (event.key === "Enter") takeCode(); },
  });
  const note = make("input", {
    "aria-label": "Note", placeholder: "note", size: "40", maxlength: "1000",
    onchange: () => send({ do: "note", text: note.value }),
  });
  fill(page.parts.asking, make("label", {}, "Code on the reed", make("span", { class: "rl-key" }, "K")), code,
    button("Take this reed", "Enter", () => takeCode(), "rl-main"), button("Not here: pass over", "O", () => passOver()));
  const say = (kind, text) => {
    page.parts.message.dataset.kind = kind;
    page.parts.message.textContent = text;
  };
  const sayState = () => {
    const { message, ask } = page.state;
    say(message.text ? message.kind : "ask", message.text || ask);
  };

  // ---- messages to the kernel ----
  function send(message, buffers = []) {
    sent += 1;
    clearTimeout(waiting);
    waiting = setTimeout(message.do === "sound" ? stillMeasuring : gone, ANSWER_MS);
    try {
      model.send({ ...message, n: sent }, undefined, buffers);
    } catch {  // the kernel was started anew, and knows nothing of this page
      clearTimeout(waiting);
      waiting = setTimeout(gone);
    }
  }
  function sendSound(kind, bytes, name, processing) {
    takes += 1;
    const of = Math.max(1, Math.ceil(bytes.length / PART_BYTES));
    for (let part = 0; part < of; part++) {
      const piece = bytes.slice(part * PART_BYTES, (part + 1) * PART_BYTES);
      send({ do: "sound", kind, name, processing, take: takes, part, of }, [piece.buffer]);
    }
    say("", "Measuring …");
  }
  function stillMeasuring() {
    say("", "Still measuring: a long recording takes its time.");
    waiting = setTimeout(gone, LONG_MS);
  }
  function gone() {
    const reed = page.state.reed;
    const lost = reed ? `, and the recordings, rating and note of ${reed.code} are lost` : "";
    say("bad", "The kernel does not answer. What is listed as saved is on disk. If it is busy, wait; "
      + `if it was started anew, run the cell again${lost}.`);
  }

  function takeCode() { send({ do: "code", text: code.value }); }
  function passOver() {
    if (page.state.next && !page.state.reed) send({ do: "pass", code: page.state.next.code });
  }
  function putAway() {
    if (page.state.reed?.unsaved && !sure) {
      sure = true;
      say("bad", "Not saved yet. Press again to put the reed away without saving.");
      return;
    }
    send({ do: "put_away", sure: true });
  }
  function save() {
    if (document.activeElement === note) note.blur();  // what was typed last counts too
    say("", "Saving …");
    send({ do: "save" });
  }
  Object.assign(page, { note, say, send, sendSound, putAway, save });
  const recorder = page.recorder = recorderOf(page);
  const drawers = drawersOf(page);

  // ---- keys ----
  const KEYS = {
    k: () => code.focus(),
    a: ({ take }) => take && !take.fault && send({ do: "accept", take: take.number }),
    r: ({ take }) => take && send({ do: "repeat", take: take.number }),
    p: () => recorder.playBack(),
    v: ({ reed }) => reed && save(),
    u: (state) => state.can_undo && send({ do: "undo" }),
    w: (state) => state.reed && send({ do: "wait", numbers: !state.numbers_wait }),
    n: ({ reed }) => reed && note.focus(),
    o: passOver,
  };
  root.addEventListener("keydown", (event) => {
    event.stopPropagation();
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const { state } = page, recording = recorder.kind();
    if (event.key === "Escape") {
      if (recording) recorder.stop(true);
      else root.focus();
      event.preventDefault();
      return;
    }
    if (event.target.matches("input, select") || event.repeat) return;
    const key = event.key.toLowerCase();
    if (key === " " && recording) { event.preventDefault(); recorder.stop(); return; }
    const step = state.steps.find((one) => one.key.toLowerCase() === key);
    const scale = state.scales[0], place = Number(key) - 1;
    if (step) { if (state.reed && (!recording || recording === step.kind)) recorder.toggle(step.kind); }
    else if (scale && state.reed && place in scale.levels) send({ do: "rate", scale: scale.name, level: scale.levels[place] });
    else if (KEYS[key]) KEYS[key](state);
    else return;
    event.preventDefault();
  });
  // A file that is dropped beside a step must not take the browser away from the page.
  root.addEventListener("dragover", (event) => event.preventDefault());
  root.addEventListener("drop", (event) => {
    event.preventDefault(); event.stopPropagation();
    say("bad", "Drop the file on its step: crow, hairpin and so on.");
  });

  // ---- from state to page ----
  const before = new Map();
  function draw() {
    const focused = document.activeElement?.dataset?.focus;
    const inside = root.contains(document.activeElement);
    // Only what has changed is made anew, so that nobody loses the place where he types.
    for (const [drawer, looks] of drawers) {
      const now = JSON.stringify(looks(page.state));
      if (before.get(drawer) !== now) drawer(page.state);
      before.set(drawer, now);
    }
    if (focused) root.querySelector(`[data-focus="${CSS.escape(focused)}"]`)?.focus({ preventScroll: true });
    const stands = root.contains(document.activeElement) && document.activeElement.offsetParent;
    if (inside && !stands) root.focus({ preventScroll: true });
  }
  function onState() {
    const earlier = page.state;
    const state = page.state = model.get("state");
    if (state.answered === sent) clearTimeout(waiting);
    sure = false;
    draw();
    if (state.answered === sent || state.message.text) sayState();
    if (state.take && state.take.number !== earlier.take?.number) page.parts.take.scrollIntoView({ block: "nearest" });
    if (state.reed?.code !== earlier.reed?.code || state.session_recorded !== earlier.session_recorded) {
      if (state.reed) root.focus({ preventScroll: true });
      else { code.value = ""; code.focus({ preventScroll: true }); }
    }
  }
  model.on("change:state", onState);
  el.append(root);
  draw();
  sayState();
  return () => {
    model.off("change:state", onState);
    clearTimeout(waiting);
    recorder.close();
  };
}

export default { render };
