// The microphone as samples, and samples as a sound file. Joined before page.js.

const MICROPHONE = { echoCancellation: false, noiseSuppression: false, autoGainControl: false };

// Runs beside the page: hands on the samples as they come, in blocks, and plays nothing.
const CATCHER = `
class Catcher extends AudioWorkletProcessor {
  constructor() { super(); this.kept = []; this.count = 0; }
  process(inputs) {
    const channels = inputs[0];
    if (channels.length) {
      this.kept.push(channels.slice(0, 2).map((one) => one.slice()));
      this.count += channels[0].length;
      if (this.count >= 2048) {
        this.port.postMessage(this.kept);
        this.kept = []; this.count = 0;
      }
    }
    return true;
  }
}
registerProcessor("reed-catcher", Catcher);
`;

async function openMicrophone(onBlock) {
  if (!navigator.mediaDevices?.getUserMedia)
    throw new Error("This browser gives no microphone to this address; choose a file instead.");
  const stream = await navigator.mediaDevices.getUserMedia({ audio: MICROPHONE });
  const context = new AudioContext();
  const address = URL.createObjectURL(new Blob([CATCHER], { type: "text/javascript" }));
  try {
    await context.audioWorklet.addModule(address);
    await context.resume();
  } finally {
    URL.revokeObjectURL(address);
  }
  const told = stream.getAudioTracks()[0].getSettings?.() ?? {};
  const processing = Object.fromEntries(Object.keys(MICROPHONE).map((name) => [name, told[name] ?? null]));
  const node = new AudioWorkletNode(context, "reed-catcher", { channelCountMode: "max" });
  node.port.onmessage = (event) => event.data.forEach(onBlock);
  context.createMediaStreamSource(stream).connect(node).connect(context.destination);
  const close = () => {
    stream.getTracks().forEach((track) => track.stop());
    return context.close();
  };
  return { rate: context.sampleRate, processing, close };
}

function wavBytes(blocks, rate) {
  const channels = Math.max(1, ...blocks.map((block) => block.length));
  const frames = blocks.reduce((sum, block) => sum + block[0].length, 0);
  const view = new DataView(new ArrayBuffer(44 + frames * channels * 2));
  const text = (place, word) => [...word].forEach((c, i) => view.setUint8(place + i, c.charCodeAt(0)));
  text(0, "RIFF"); view.setUint32(4, 36 + frames * channels * 2, true);
  text(8, "WAVEfmt "); view.setUint32(16, 16, true); view.setUint16(20, 1, true);
  view.setUint16(22, channels, true); view.setUint32(24, rate, true);
  view.setUint32(28, rate * channels * 2, true); view.setUint16(32, channels * 2, true);
  view.setUint16(34, 16, true); text(36, "data"); view.setUint32(40, frames * channels * 2, true);
  let place = 44;
  for (const block of blocks)
    for (let i = 0; i < block[0].length; i++)
      for (let c = 0; c < channels; c++, place += 2) {
        const sample = (block[c] ?? block[0])[i];
        view.setInt16(place, Math.max(-32768, Math.min(32767, Math.round(sample * 32768))), true);
      }
  return new Uint8Array(view.buffer);
}
