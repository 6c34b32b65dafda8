// What is recorded, chosen and heard back, of one kind at a time. Joined before page.js.

const LONGEST_S = 120;

// `page` gives state, parts, say and sendSound.
function recorderOf(page) {
  let recording = null, playing = null, stopped = 0;
  const sounds = new Map();  // what was recorded or chosen, to hear it back, by kind

  const toggle = (kind) => {
    if (recording) stop();
    else if (performance.now() - stopped > 300) start(kind);  // one press may count as two
  };
  async function start(kind) {
    if (!page.state.reed || recording) return;
    recording = { kind, blocks: [], count: 0, thrown: false };
    const mine = recording;
    page.say("", "Opening the microphone …");
    showMeter();
    try {
      mine.microphone = await openMicrophone((block) => keep(mine, block));
      if (recording !== mine) { mine.microphone.close(); return; }
      page.say("", "Recording. A moment of quiet, then play; press again to stop.");
    } catch (error) {
      if (recording === mine) recording = null;
      page.say("bad", error.name === "NotFoundError" || error.name === "NotAllowedError"
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
      page.say(thrown ? "" : "bad", thrown ? "Thrown away." : "Nothing was recorded; try again.");
      return;
    }
    const bytes = wavBytes(mine.blocks, mine.microphone.rate);
    hold(mine.kind, new Blob([bytes], { type: "audio/wav" }));
    page.sendSound(mine.kind, bytes, `${mine.kind}.wav`, mine.microphone.processing);
  }
  async function choose(kind, file) {
    if (!file || !page.state.reed) return;
    hold(kind, file);
    page.sendSound(kind, new Uint8Array(await file.arrayBuffer()), file.name, null);
  }
  function hold(kind, blob) {
    if (sounds.has(kind)) URL.revokeObjectURL(sounds.get(kind));
    sounds.set(kind, URL.createObjectURL(blob));
  }
  function playBack() {
    const kind = page.state.take?.kind;
    if (playing) { playing.pause(); playing = null; return; }
    if (!kind || !sounds.has(kind)) return;
    playing = new Audio(sounds.get(kind));
    playing.onended = () => { playing = null; };
    playing.play().catch(() => page.say("bad", "This browser cannot play that kind of file."));
  }
  const bar = make("div"), clock = make("p", { class: "rl-big" });
  fill(page.parts.meter, clock, make("div", { class: "rl-meter" }, bar),
    make("p", { class: "rl-small" }, "Escape throws the recording away."));
  function showMeter() {
    page.parts.meter.hidden = !recording;
    page.parts.steps.classList.toggle("rl-short", Boolean(recording) || Boolean(page.state.take));
    for (const node of page.parts.steps.querySelectorAll("[data-kind]")) {
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
  function close() {
    stop(true);
    playing?.pause();
    sounds.forEach((address) => URL.revokeObjectURL(address));
  }
  return { toggle, stop, choose, playBack, showMeter, close, kind: () => recording?.kind ?? null };
}
