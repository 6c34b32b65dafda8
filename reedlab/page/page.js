// The bench page in the browser: draws the state that the kernel sends, sends what was done.
// It decides nothing: what is accepted, saved or wrong is told by the state. No network.

const LONGEST_S = 120;
const PART_BYTES = 1_000_000;
const ANSWER_MS = 15000;

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

function render({ model, el }) {
  let state = model.get("state");
  let sent = state.answered, waiting = null, recording = null, takes = 0, playing = null, stopped = 0;
  const sounds = new Map();  // what was recorded or chosen, to hear it back, by kind

  // ---- messages to the kernel ----
  const send = (message, buffers = []) => {
    sent += 1;
    model.send({ ...message, n: sent }, undefined, buffers);
    clearTimeout(waiting);
    waiting = setTimeout(() => say("bad", "The kernel does not answer; nothing new is saved."), ANSWER_MS);
  };
  const sendSound = (kind, bytes, name, processing) => {
    takes += 1;
    const of = Math.max(1, Math.ceil(bytes.length / PART_BYTES));
    for (let part = 0; part < of; part++) {
      const piece = bytes.slice(part * PART_BYTES, (part + 1) * PART_BYTES);
      send({ do: "sound", kind, name, processing, take: takes, part, of }, [piece.buffer]);
    }
    say("", "Measuring …");
  };

  // ---- what stands on the page ----
  const part = (name, settings = {}) => make("div", { "data-part": name, ...settings });
  const message = part("message", { class: "rl-message", role: "status", "aria-live": "polite" });
  const head = part("head"), begin = part("begin", { class: "rl-panel" });
  const coming = part("coming"), asking = part("asking", { class: "rl-row" });
  const hand = part("hand"), steps = part("steps", { class: "rl-steps" });
  const meter = part("meter", { class: "rl-panel", hidden: true });
  const take = part("take", { class: "rl-panel" }), rating = part("rating");
  const boxes = part("boxes", { class: "rl-row" }), ending = part("ending", { class: "rl-row" });
  const saved = part("saved"), cares = part("cares");
  const work = part("work", {}), root = make("div", {
    class: "rl-page", tabindex: "0", role: "group", "aria-label": "Bench page",
    "data-lm-suppress-shortcuts": "true",
  });
  work.append(hand, steps, meter, take, rating, boxes, ending);
  root.append(head, begin, coming, asking, message, work, saved, cares);
  el.append(root);

  const code = make("input", {
    class: "rl-code", "aria-label": "Blind code", maxlength: "12", autocomplete: "off",
    spellcheck: "false", placeholder: "code",
    onkeydown: (event) => { if (event.key === "Enter") takeCode(); },
  });
  const takeCode = () => send({ do: "code", text: code.value });
  fill(asking, make("label", {}, "Code on the reed", make("span", { class: "rl-key" }, "K")), code,
    button("Take this reed", "Enter", takeCode, "rl-main"), button("Not here: pass over", "O", () => passOver()));
  const note = make("input", {
    "aria-label": "Note", placeholder: "note", size: "40", maxlength: "1000",
    onchange: () => send({ do: "note", text: note.value }),
  });

  const passOver = () => state.next && !state.reed && send({ do: "pass", code: state.next.code });

  const say = (kind, text) => {
    message.dataset.kind = kind;
    message.textContent = text;
  };

  // ---- recording ----
  const toggle = (kind) => {
    if (recording) stop();
    else if (performance.now() - stopped > 300) start(kind);  // one press may count as two
  };
  async function start(kind) {
    if (!state.reed || recording) return;
    recording = { kind, blocks: [], count: 0, thrown: false };
    const mine = recording;
    say("", "Opening the microphone …");
    showMeter();
    try {
      mine.microphone = await openMicrophone((block) => keep(mine, block));
      if (recording !== mine) { mine.microphone.close(); return; }
      say("", "Recording. A moment of quiet, then play; press again to stop.");
    } catch (error) {
      if (recording === mine) recording = null;
      say("bad", error.name === "NotFoundError" || error.name === "NotAllowedError"
        ? "No microphone may be used here; allow it in the browser, or choose a file instead."
        : error.message);
    }
    showMeter();
  }
  function keep(mine, block) {
    mine.blocks.push(block);
    mine.count += block[0].length;
    mine.peak = Math.max(...block.map((one) => one.reduce((most, v) => Math.max(most, Math.abs(v)), 0)));
    mine.top = Math.max(mine.top ?? 0, mine.peak);
    if (mine === recording && mine.count > LONGEST_S * (mine.microphone?.rate ?? 48000)) stop();
    else showMeter();
  }
  function stop(thrown = false) {
    const mine = recording;
    recording = null;
    stopped = performance.now();
    showMeter();
    if (!mine) return;
    mine.microphone?.close();
    if (thrown || !mine.microphone || !mine.blocks.length) {
      say(thrown ? "" : "bad", thrown ? "Thrown away." : "Nothing was recorded; try again.");
      return;
    }
    const bytes = wavBytes(mine.blocks, mine.microphone.rate);
    hold(mine.kind, new Blob([bytes], { type: "audio/wav" }));
    sendSound(mine.kind, bytes, `${mine.kind}.wav`, mine.microphone.processing);
  }
  async function choose(kind, file) {
    if (!file || !state.reed) return;
    hold(kind, file);
    sendSound(kind, new Uint8Array(await file.arrayBuffer()), file.name, null);
  }
  function hold(kind, blob) {
    if (sounds.has(kind)) URL.revokeObjectURL(sounds.get(kind));
    sounds.set(kind, URL.createObjectURL(blob));
  }
  function playBack() {
    const kind = state.take?.kind;
    if (playing) { playing.pause(); playing = null; return; }
    if (!kind || !sounds.has(kind)) return;
    playing = new Audio(sounds.get(kind));
    playing.onended = () => { playing = null; };
    playing.play().catch(() => say("bad", "This browser cannot play that kind of file."));
  }
  const bar = make("div"), clock = make("p", { class: "rl-big" });
  fill(meter, clock, make("div", { class: "rl-meter" }, bar),
    make("p", { class: "rl-small" }, "Escape throws the recording away."));
  function showMeter() {
    meter.hidden = !recording;
    steps.classList.toggle("rl-short", Boolean(recording) || Boolean(state.take));
    for (const node of steps.querySelectorAll("[data-kind]")) {
      const mine = recording?.kind === node.dataset.kind;
      node.classList.toggle("rl-on", mine);
      node.firstChild.textContent = mine ? `Stop ${node.dataset.label}` : node.dataset.label;
      node.disabled = Boolean(recording) && !mine;
    }
    if (!recording) return;
    const seconds = recording.microphone ? recording.count / recording.microphone.rate : 0;
    const full = (recording.top ?? 0) >= 0.99 ? "  too loud: move the microphone away" : "";
    clock.textContent = recording.microphone ? `${seconds.toFixed(1)} s${full}` : "…";
    const db = 20 * Math.log10(Math.max(recording.peak ?? 0, 1e-4));
    bar.style.width = `${Math.max(0, 100 + (db * 100) / 60)}%`;
  }

  // ---- the state, drawn ----
  function drawHead() {
    const select = make("select", {
      "aria-label": "Session", onchange: (event) => send({ do: "session", number: Number(event.target.value) }),
    }, ...state.sessions.map((one) => make("option", { value: one, selected: one === state.session }, `Session ${one}`)));
    const stage = make("input", {
      "aria-label": "Stage", value: state.stage, size: "8", list: "rl-stages",
      onchange: (event) => send({ do: "stage", name: event.target.value }),
    });
    const list = make("datalist", { id: "rl-stages" }, ...state.stages.map((one) => make("option", { value: one })));
    fill(head, make("h2", {}, `${state.title}, batch ${state.batch}${state.invented ? " (invented)" : ""}`),
      make("div", { class: "rl-row" }, select, make("label", {}, "Stage "), stage, list,
        make("span", {}, `${state.done} of ${state.order.length} tested`)));
  }
  function drawBegin() {
    begin.hidden = state.session_recorded;
    if (begin.hidden) return;
    if (!state.may_start) {
      fill(begin, make("p", {}, `Session ${state.session_id} is not written down yet. Its plan sets something `
        + "for the whole session, which this page must not know: record the sessions sheet first."));
      return;
    }
    const asked = { player_id: "Player (an alias is enough)", room: "Room", relative_humidity_pct: "Humidity, %",
      temperature_c: "Temperature, °C", a4_hz: "Tuning of A4, Hz" };
    const inputs = Object.entries(asked).map(([name, label]) =>
      make("input", { name, "aria-label": label, placeholder: label, size: "18" }));
    const go = () => send({ do: "start_session",
      ...Object.fromEntries(inputs.map((input) => [input.name, input.value])) });
    fill(begin, make("h3", {}, `Begin session ${state.session_id}`),
      make("div", { class: "rl-row" }, ...inputs, button("Begin", "", go, "rl-main")));
  }
  function drawComing() {
    coming.hidden = !state.session_recorded;
    const order = make("ol", { class: "rl-order", "aria-label": "Order of playing" }, ...state.order.map((one) =>
      make("li", { "data-now": String(one.code === (state.reed ?? state.next)?.code) },
        `${one.place} ${one.code}${one.done ? " ✓" : ""}`)));
    const text = state.next ? `Next: ${state.next.code}, place ${state.next.place}` : "No reed of this session is left to test.";
    fill(coming, make("p", { class: "rl-big", "data-part": "next" }, state.reed ? `In hand: ${state.reed.code}` : text), order);
    asking.hidden = !state.session_recorded || Boolean(state.reed);
  }
  function drawHand() {
    work.hidden = !state.reed;
    if (!state.reed) return;
    const caution = state.reed.caution ? make("p", { class: "rl-care" }, state.reed.caution) : null;
    const hygiene = state.cares.hygiene_first ? make("p", { class: "rl-care" }, state.cares.hygiene) : null;
    fill(hand, make("p", {}, `Place ${state.reed.place}, try ${state.reed.trial}`), caution, hygiene);
  }
  function drawSteps() {
    fill(steps, ...state.steps.map((step) => {
      const chooser = make("input", { type: "file", accept: "audio/*,.wav,.m4a,.mp3,.flac,.ogg", hidden: true,
        onchange: (event) => choose(step.kind, event.target.files[0]) });
      const main = button(step.label, step.key, () => toggle(step.kind), "rl-main");
      main.dataset.kind = step.kind; main.dataset.label = step.label;
      const card = make("div", { class: "rl-step" }, main,
        make("p", { class: "rl-small" }, step.notes.length ? `${step.instruction} Notes: ${step.notes.join(", ")}.` : step.instruction),
        step.care ? make("p", { class: "rl-care" }, step.care) : null,
        step.accepted ? make("p", { "data-part": `accepted-${step.kind}` }, `✓ ${step.accepted}`) : null,
        button("From a file …", "", () => chooser.click(), "rl-file"), chooser);
      card.addEventListener("dragover", (event) => { event.preventDefault(); card.classList.add("rl-over"); });
      card.addEventListener("dragleave", () => card.classList.remove("rl-over"));
      card.addEventListener("drop", (event) => {
        event.preventDefault(); event.stopPropagation(); card.classList.remove("rl-over");
        choose(step.kind, event.dataTransfer.files[0]);
      });
      return card;
    }));
    showMeter();
  }
  function drawTake() {
    const one = state.take;
    take.hidden = !one;
    showMeter();
    if (!one) return;
    const repeat = button("Repeat", "R", () => send({ do: "repeat", take: one.number }));
    const hear = button("Hear it", "P", playBack);
    const cautions = one.cautions.map((text) => make("p", { class: "rl-care" }, text));
    if (one.fault) {
      fill(take, make("p", { "data-part": "fault" }, one.fault), ...cautions, make("div", { class: "rl-row" }, repeat, hear));
      return;
    }
    const numbers = (one.numbers ?? []).map((line) => `${line.label} ${line.text} ${line.unit}`.trim()).join(" · ");
    const canvas = one.trace ? make("canvas", { class: "rl-trace", role: "img", "aria-label": `Pitch and level. ${one.sentence}` }) : null;
    fill(take,
      make("p", {}, make("span", { class: "rl-big", "data-part": "number" }, one.headline), ` ${one.beside}`),
      canvas, make("p", {}, numbers), one.sentence ? make("p", { class: "rl-small" }, one.sentence) : null, ...cautions,
      make("p", { class: "rl-care" }, state.cares.scraping),
      make("div", { class: "rl-row" }, button("Accept", "A", () => send({ do: "accept", take: one.number }), "rl-main"), repeat, hear));
    if (canvas) drawTrace(canvas, one.trace);
  }
  function drawRating() {
    const groups = state.scales.map((scale, place) => make("div", { class: "rl-row", role: "group", "aria-label": scale.label },
      make("span", {}, scale.label, place === 0 ? make("span", { class: "rl-key" }, `1–${Math.min(9, scale.levels.length)}`) : ""),
      ...scale.levels.map((level, i) => {
        const chosen = scale.value === level;
        const one = button(String(level), place === 0 && i < 9 ? String(i + 1) : "",
          () => send({ do: "rate", scale: scale.name, level: chosen ? null : level }));
        if (String(level) === String(i + 1)) one.querySelector(".rl-key")?.remove();
        one.setAttribute("aria-pressed", String(chosen));
        one.dataset.focus = `${scale.name} ${level}`;
        return one;
      })));
    const wait = button("Numbers wait for the rating", "W", () => send({ do: "wait", numbers: !state.numbers_wait }));
    wait.setAttribute("aria-pressed", String(state.numbers_wait));
    wait.dataset.focus = "wait";
    fill(rating, ...groups, state.scales.length ? make("div", { class: "rl-row" }, wait,
      make("span", { class: "rl-small" }, "A rating that was given after a number was seen is marked so.")) : null);
  }
  function drawBoxes() {
    fill(boxes, ...state.boxes.map((box) => {
      if (box.type === "boolean") {
        const pick = (text, value) => {
          const one = button(text, "", () => send({ do: "fill", box: box.name, text: box.value === value ? "" : value }));
          one.setAttribute("aria-pressed", String(box.value === value));
          one.dataset.focus = `${box.name} ${value}`;
          return one;
        };
        return make("span", { class: "rl-row", role: "group", "aria-label": box.label }, box.label, pick("yes", "yes"), pick("no", "no"));
      }
      const label = box.unit ? `${box.label}, ${box.unit}` : box.label;
      const input = make("input", { "aria-label": label, size: "6", value: box.value, "data-focus": box.name,
        inputmode: box.type === "text" ? "text" : "decimal",
        onchange: (event) => send({ do: "fill", box: box.name, text: event.target.value }) });
      return make("label", {}, `${label} `, input);
    }), make("label", {}, "note", make("span", { class: "rl-key" }, "N"), " ", note));
    if (document.activeElement !== note) note.value = state.note;
  }
  function drawEnding() {
    fill(ending,
      button("Save this test", "V", save, "rl-main"),
      button("Put away without saving", "", putAway));
  }
  function drawSaved() {
    const rows = state.saved.map((row) => make("tr", {}, make("td", {}, String(row.place)), make("td", {}, row.code),
      make("td", {}, String(row.trial)), make("td", {}, row.text)));
    const header = make("tr", {}, ...["place", "code", "try", "on disk"].map((text) => make("th", { scope: "col" }, text)));
    fill(saved, rows.length ? make("h3", {}, "Saved in this session") : null,
      rows.length ? make("table", { class: "rl-saved" }, make("thead", {}, header), make("tbody", {}, ...rows)) : null,
      state.can_undo ? button("Take the last save back", "U", () => send({ do: "undo" })) : null);
  }
  function drawCares() {
    const texts = [...(state.cares.hygiene_first ? [] : [state.cares.hygiene]), ...state.cares.others];
    fill(cares, make("details", {}, make("summary", {}, "Take care"), ...texts.map((text) => make("p", { class: "rl-small" }, text))));
  }

  let sure = false;
  function putAway() {
    if (state.reed?.unsaved && !sure) {
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

  // ---- keys ----
  const KEYS = {
    k: () => code.focus(), a: () => state.take && !state.take.fault && send({ do: "accept", take: state.take.number }),
    r: () => state.take && send({ do: "repeat", take: state.take.number }), p: playBack,
    v: () => state.reed && save(), u: () => state.can_undo && send({ do: "undo" }),
    w: () => state.reed && send({ do: "wait", numbers: !state.numbers_wait }),
    n: () => state.reed && note.focus(), o: passOver,
  };
  function onKey(event) {
    event.stopPropagation();
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.key === "Escape") {
      if (recording) stop(true);
      else root.focus();
      event.preventDefault();
      return;
    }
    if (event.target.matches("input, select") || event.repeat) return;
    const key = event.key.toLowerCase();
    if (key === " " && recording) { event.preventDefault(); stop(); return; }
    const step = state.steps.find((one) => one.key.toLowerCase() === key);
    const scale = state.scales[0], place = Number(key) - 1;
    if (step) { if (state.reed && (!recording || recording.kind === step.kind)) toggle(step.kind); }
    else if (scale && state.reed && place in scale.levels) send({ do: "rate", scale: scale.name, level: scale.levels[place] });
    else if (KEYS[key]) KEYS[key]();
    else return;
    event.preventDefault();
  }
  root.addEventListener("keydown", onKey);

  // ---- from state to page ----
  const DRAWN = [
    [drawHead, (s) => [s.title, s.batch, s.sessions, s.session, s.stage, s.stages, s.done, s.order.length]],
    [drawBegin, (s) => [s.session_recorded, s.may_start, s.session_id]],
    [drawComing, (s) => [s.order, s.next, s.reed?.code, s.session_recorded]],
    [drawHand, (s) => [s.reed, s.cares]],
    [drawSteps, (s) => [s.steps]],
    [drawTake, (s) => [s.take]],
    [drawRating, (s) => [s.scales, s.numbers_wait]],
    [drawBoxes, (s) => [s.boxes, s.note]],
    [drawEnding, () => []],
    [drawSaved, (s) => [s.saved, s.can_undo]],
    [drawCares, (s) => [s.cares]],
  ];
  const before = new Map();
  function draw() {
    const focused = document.activeElement?.dataset?.focus;
    const inside = root.contains(document.activeElement);
    // Only what has changed is made anew, so that nobody loses the place where he types.
    for (const [part, looks] of DRAWN) {
      const now = JSON.stringify(looks(state));
      if (before.get(part) !== now) part();
      before.set(part, now);
    }
    if (focused) root.querySelector(`[data-focus="${CSS.escape(focused)}"]`)?.focus({ preventScroll: true });
    if (inside && !root.contains(document.activeElement)) root.focus({ preventScroll: true });
  }
  function onState() {
    const earlier = state;
    state = model.get("state");
    if (state.answered === sent) clearTimeout(waiting);
    sure = false;
    draw();
    if (state.answered === sent || state.message.text) say(state.message.kind, state.message.text);
    if (state.take && state.take.number !== earlier.take?.number) take.scrollIntoView({ block: "nearest" });
    if (state.reed?.code !== earlier.reed?.code) {
      if (state.reed) root.focus({ preventScroll: true });
      else { code.value = ""; code.focus({ preventScroll: true }); }
    }
  }
  model.on("change:state", onState);
  draw();
  say(state.message.kind, state.message.text);
  return () => {
    model.off("change:state", onState);
    clearTimeout(waiting);
    stop(true);
    sounds.forEach((address) => URL.revokeObjectURL(address));
  };
}

export default { render };
