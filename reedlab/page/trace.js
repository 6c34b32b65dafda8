// Pitch above, level below, over one time. Joined before page.js.

function drawTrace(canvas, trace) {
  const ratio = window.devicePixelRatio || 1;
  const width = canvas.clientWidth || 800, height = canvas.clientHeight || 240;
  canvas.width = width * ratio; canvas.height = height * ratio;
  const pen = canvas.getContext("2d");
  pen.scale(ratio, ratio);
  pen.font = "13px system-ui, sans-serif";
  const style = getComputedStyle(canvas), ink = style.color;
  const [blue, orange, green] = ["--pitch", "--level", "--target"].map((name) => style.getPropertyValue(name));
  const left = 62, right = width - 12, middle = height * 0.6, low = height - 24;
  const last = trace.time_s[trace.time_s.length - 1] || 1;
  const x = (time) => left + ((right - left) * time) / last;
  const heard = trace.pitch_hz.filter((hz) => hz !== null);
  const shown = [...heard, ...trace.band_hz].map(Math.log2);
  const bottom = Math.min(...shown) - 0.12, top = Math.max(...shown) + 0.12;
  const yPitch = (hz) => middle - 8 - ((middle - 20) * (Math.log2(hz) - bottom)) / (top - bottom);
  const levels = trace.level_db.filter((db) => db !== null);
  const loud = Math.ceil(Math.max(...levels) / 10) * 10;
  const yLevel = (db) => middle + 10 + ((low - middle - 10) * Math.min(50, loud - db)) / 50;
  const line = (values, y, colour, thick, dash = []) => {
    pen.strokeStyle = colour; pen.lineWidth = thick; pen.setLineDash(dash); pen.beginPath();
    let down = false;
    values.forEach((value, i) => {
      if (value === null) { down = false; return; }
      pen[down ? "lineTo" : "moveTo"](x(trace.time_s[i]), y(value));
      down = true;
    });
    pen.stroke(); pen.setLineDash([]);
  };
  const across = (y, colour) => {
    pen.strokeStyle = colour; pen.lineWidth = 1;
    pen.beginPath(); pen.moveTo(left, y); pen.lineTo(right, y); pen.stroke();
  };
  pen.fillStyle = ink; pen.textBaseline = "middle";
  if (heard.length) {
    if (trace.band_hz.length) {
      const [first, second] = trace.band_hz.map(yPitch);
      pen.globalAlpha = 0.25; pen.fillStyle = green;
      pen.fillRect(left, second - 2, right - left, first - second + 4);
      pen.globalAlpha = 1; pen.fillStyle = ink; pen.fillText("target", right - 44, second - 9);
    }
    pen.textAlign = "right";
    for (const note of trace.notes) {
      pen.globalAlpha = 0.3; across(yPitch(note.hz), ink); pen.globalAlpha = 1;
      pen.fillText(note.name, left - 6, yPitch(note.hz));
    }
    pen.textAlign = "left";
    line(trace.pitch_hz, yPitch, blue, 3);
  }
  for (const db of [loud, loud - 20, loud - 40]) {
    pen.globalAlpha = 0.3; across(yLevel(db), ink); pen.globalAlpha = 1;
    pen.textAlign = "right"; pen.fillText(`${String(db).replace("-", "−")} dB`, left - 6, yLevel(db));
  }
  pen.textAlign = "left";
  line(trace.level_db, yLevel, orange, 2);
  for (const mark of trace.marks) {
    pen.strokeStyle = ink; pen.lineWidth = 1; pen.setLineDash([4, 4]); pen.beginPath();
    pen.moveTo(x(mark), 8); pen.lineTo(x(mark), low); pen.stroke(); pen.setLineDash([]);
    pen.fillText("settles", x(mark) + 4, 10);
  }
  pen.textAlign = "center";
  const step = [1, 2, 5, 10, 20, 50].find((one) => last / one <= 8) ?? 100;
  for (let time = 0; time <= last; time += step) pen.fillText(`${time} s`, x(time), height - 10);
  pen.textAlign = "left"; pen.fillStyle = blue; pen.fillText("pitch", left + 4, 10);
  pen.fillStyle = orange; pen.fillText("level", left + 4, middle + 24);
}
