// Each part of the page, drawn from the state. Joined before page.js.

// `page` gives parts, send, save, putAway, note and recorder.
function drawersOf(page) {
  const { parts, recorder } = page;

  function drawHead(state) {
    const select = make("select", {
      "aria-label": "Session", onchange: (event) => page.send({ do: "session", number: Number(event.target.value) }),
    }, ...state.sessions.map((one) => make("option", { value: one, selected: one === state.session }, `Session ${one}`)));
    const stage = make("input", {
      "aria-label": "Stage", value: state.stage, size: "8", list: "rl-stages",
      onchange: (event) => page.send({ do: "stage", name: event.target.value }),
    });
    const list = make("datalist", { id: "rl-stages" }, ...state.stages.map((one) => make("option", { value: one })));
    fill(parts.head, make("h2", {}, `${state.title}, batch ${state.batch}${state.invented ? " (invented)" : ""}`),
      make("div", { class: "rl-row" }, select, make("label", {}, "Stage "), stage, list,
        make("span", {}, `${state.done} of ${state.order.length} tested`)));
  }
  function drawBegin(state) {
    parts.begin.hidden = state.session_recorded;
    if (parts.begin.hidden) return;
    if (!state.may_start) {
      fill(parts.begin, make("p", {}, `Session ${state.session_id} is not written down yet. Its plan sets something `
        + "for the whole session, which this page must not know: record the sessions sheet first."));
      return;
    }
    const asked = { player_id: "Player, or alias", room: "Room", relative_humidity_pct: "Humidity, %",
      temperature_c: "Temperature, °C", a4_hz: "Tuning of A4, Hz" };
    const inputs = Object.entries(asked).map(([name, label]) =>
      make("input", { name, "aria-label": label, placeholder: label, size: "18" }));
    const go = () => page.send({ do: "start_session",
      ...Object.fromEntries(inputs.map((input) => [input.name, input.value])) });
    fill(parts.begin, make("h3", {}, `Begin session ${state.session_id}`),
      make("div", { class: "rl-row" }, ...inputs, button("Begin", "", go, "rl-main")));
  }
  function drawComing(state) {
    parts.coming.hidden = !state.session_recorded;
    const order = make("ol", { class: "rl-order", "aria-label": "Order of playing" }, ...state.order.map((one) =>
      make("li", { "data-now": String(one.code === (state.reed ?? state.next)?.code) },
        `${one.place} ${one.code}${one.done ? " ✓" : ""}`)));
    const text = state.next ? `Next: ${state.next.code}, place ${state.next.place}` : "No reed of this session is left to test.";
    fill(parts.coming, make("p", { class: "rl-big", "data-part": "next" }, state.reed ? `In hand: ${state.reed.code}` : text), order);
    parts.asking.hidden = !state.session_recorded || Boolean(state.reed);
  }
  function drawHand(state) {
    parts.work.hidden = !state.reed;
    if (!state.reed) return;
    const caution = state.reed.caution ? make("p", { class: "rl-care" }, state.reed.caution) : null;
    const hygiene = state.cares.hygiene_first ? make("p", { class: "rl-care" }, state.cares.hygiene) : null;
    fill(parts.hand, make("p", {}, `Place ${state.reed.place}, try ${state.reed.trial}`), caution, hygiene);
  }
  function drawSteps(state) {
    fill(parts.steps, ...state.steps.map((step) => {
      const chooser = make("input", { type: "file", accept: "audio/*,.wav,.m4a,.mp3,.flac,.ogg", hidden: true,
        onchange: (event) => recorder.choose(step.kind, event.target.files[0]) });
      const main = button(step.label, step.key, () => recorder.toggle(step.kind), "rl-main");
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
        recorder.choose(step.kind, event.dataTransfer.files[0]);
      });
      return card;
    }));
    recorder.showMeter();
  }
  function drawTake(state) {
    const one = state.take;
    parts.take.hidden = !one;
    recorder.showMeter();
    if (!one) return;
    const repeat = button("Repeat", "R", () => page.send({ do: "repeat", take: one.number }));
    const hear = button("Hear it", "P", recorder.playBack);
    const cautions = one.cautions.map((text) => make("p", { class: "rl-care" }, text));
    if (one.fault) {
      fill(parts.take, make("p", { "data-part": "fault" }, one.fault), ...cautions, make("div", { class: "rl-row" }, repeat, hear));
      return;
    }
    const numbers = (one.numbers ?? []).map((line) => `${line.label} ${line.text} ${line.unit}`.trim()).join(" · ");
    const canvas = one.trace ? make("canvas", { class: "rl-trace", role: "img", "aria-label": `Pitch and level. ${one.sentence}` }) : null;
    fill(parts.take,
      make("p", {}, make("span", { class: "rl-big", "data-part": "number" }, one.headline), ` ${one.beside}`),
      canvas, make("p", {}, numbers), one.sentence ? make("p", { class: "rl-small" }, one.sentence) : null, ...cautions,
      make("p", { class: "rl-care" }, state.cares.scraping),
      make("div", { class: "rl-row" }, button("Accept", "A", () => page.send({ do: "accept", take: one.number }), "rl-main"), repeat, hear));
    if (canvas) new ResizeObserver(() => drawTrace(canvas, one.trace)).observe(canvas);
  }
  function drawRating(state) {
    const groups = state.scales.map((scale, place) => make("div", { class: "rl-row", role: "group", "aria-label": scale.label },
      make("span", {}, scale.label, place === 0 ? make("span", { class: "rl-key" }, `1–${Math.min(9, scale.levels.length)}`) : ""),
      ...scale.levels.map((level, i) => {
        const chosen = scale.value === level;
        const one = button(String(level), place === 0 && i < 9 ? String(i + 1) : "",
          () => page.send({ do: "rate", scale: scale.name, level: chosen ? null : level }));
        if (String(level) === String(i + 1)) one.querySelector(".rl-key")?.remove();
        one.setAttribute("aria-pressed", String(chosen));
        one.dataset.focus = `${scale.name} ${level}`;
        return one;
      })));
    const wait = button("Numbers wait for the rating", "W", () => page.send({ do: "wait", numbers: !state.numbers_wait }));
    wait.setAttribute("aria-pressed", String(state.numbers_wait));
    wait.dataset.focus = "wait";
    fill(parts.rating, ...groups, state.scales.length ? make("div", { class: "rl-row" }, wait,
      make("span", { class: "rl-small" }, "A rating that was given after a number was seen is marked so.")) : null);
  }
  function drawBoxes(state) {
    fill(parts.boxes, ...state.boxes.map((box) => {
      if (box.type === "boolean") {
        const pick = (text, value) => {
          const one = button(text, "", () => page.send({ do: "fill", box: box.name, text: box.value === value ? "" : value }));
          one.setAttribute("aria-pressed", String(box.value === value));
          one.dataset.focus = `${box.name} ${value}`;
          return one;
        };
        return make("span", { class: "rl-row", role: "group", "aria-label": box.label }, box.label, pick("yes", "yes"), pick("no", "no"));
      }
      const label = box.unit ? `${box.label}, ${box.unit}` : box.label;
      const input = make("input", { "aria-label": label, size: "6", value: box.value, "data-focus": box.name,
        inputmode: box.type === "text" ? "text" : "decimal",
        onchange: (event) => page.send({ do: "fill", box: box.name, text: event.target.value }) });
      return make("label", {}, `${label} `, input);
    }), make("label", {}, "note", make("span", { class: "rl-key" }, "N"), " ", page.note));
    if (document.activeElement !== page.note) page.note.value = state.note;
  }
  function drawEnding() {
    fill(parts.ending,
      button("Save this test", "V", page.save, "rl-main"),
      button("Put away without saving", "", page.putAway));
  }
  function drawSaved(state) {
    const rows = state.saved.map((row) => make("tr", {}, make("td", {}, String(row.place)), make("td", {}, row.code),
      make("td", {}, String(row.trial)), make("td", {}, row.text)));
    const header = make("tr", {}, ...["place", "code", "try", "on disk"].map((text) => make("th", { scope: "col" }, text)));
    fill(parts.saved, rows.length ? make("h3", {}, "Saved in this session") : null,
      rows.length ? make("table", { class: "rl-saved" }, make("thead", {}, header), make("tbody", {}, ...rows)) : null,
      state.can_undo ? button("Take the last save back", "U", () => page.send({ do: "undo" })) : null);
  }
  function drawCares(state) {
    const texts = [...(state.cares.hygiene_first ? [] : [state.cares.hygiene]), ...state.cares.others];
    fill(parts.cares, make("details", {}, make("summary", {}, "Take care"), ...texts.map((text) => make("p", { class: "rl-small" }, text))));
  }

  // Every part with what it shows: only what has changed is made anew.
  return [
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
}
