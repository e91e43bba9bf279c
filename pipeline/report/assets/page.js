"use strict";
(() => {
  const PRINT_WIDTH = 690;
  const PRINT_SHRINK = 0.75;
  const BESIDE_WIDTH = 640;
  const OPTIONS = { displayModeBar: false, responsive: true };
  const say = (text) => { document.getElementById("busy").textContent = text; };
  const canvases = [...document.querySelectorAll(".canvas")];
  for (const canvas of canvases) canvas.style.minHeight = `${canvas.dataset.height}px`;

  // ---- packed content

  async function unpack(element) {
    const bytes = Uint8Array.from(atob(element.textContent), (c) => c.charCodeAt(0));
    const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
    return new Response(stream).text();
  }

  let library = null;
  function loadLibrary() {
    library ??= unpack(document.getElementById("library")).then((source) => new Promise((done, failed) => {
      const script = document.createElement("script");
      const url = URL.createObjectURL(new Blob([source], { type: "text/javascript" }));
      script.onload = () => { URL.revokeObjectURL(url); done(); };
      script.onerror = () => failed(new Error("the plotting library could not be started"));
      script.src = url;
      document.head.append(script);
    }));
    return library;
  }

  const packed = new Map();
  const figures = new Map();
  for (const element of document.querySelectorAll("script.figures")) packed.set(element.dataset.pump, element);
  function figuresOf(pump) {
    if (!figures.has(pump)) {
      figures.set(pump, unpack(packed.get(pump)).then((text) => {
        const held = JSON.parse(text);
        figures.get(pump).held = held;
        return held;
      }));
    }
    return figures.get(pump);
  }

  // ---- drawing

  function drawNow(canvas, held) {
    if (canvas.dataset.drawn) return;
    canvas.dataset.drawn = "yes";
    const { data, layout } = held[canvas.dataset.name];
    // Plots beside each other need room: a narrow window scrolls over them.
    const beside = Object.entries(layout).some(([key, axis]) => key.startsWith("xaxis") && axis.domain?.[0] > 0);
    if (beside) canvas.style.minWidth = `${BESIDE_WIDTH}px`;
    if (matchMedia("(pointer: coarse)").matches) layout.dragmode = false;
    Plotly.newPlot(canvas, data, layout, OPTIONS);
  }

  async function draw(canvas) {
    try {
      const [held] = await Promise.all([figuresOf(canvas.dataset.pump), loadLibrary()]);
      drawNow(canvas, held);
    } catch (error) {
      canvas.textContent = `This figure could not be drawn (${error.message}). A current browser is needed; the tables below hold the numbers.`;
    }
  }

  const seen = new IntersectionObserver((entries) => {
    for (const entry of entries) {
      if (entry.isIntersecting) { seen.unobserve(entry.target); draw(entry.target); }
    }
  }, { rootMargin: "600px" });
  for (const canvas of canvases) seen.observe(canvas);

  async function drawAll() {
    let done = 0;
    for (const canvas of canvases) {
      await draw(canvas);
      done += 1;
      say(`Drawing figure ${done} of ${canvases.length}`);
      await new Promise((next) => setTimeout(next));
    }
    say("");
  }

  // ---- printing: draw what has not been looked at, at the width of the paper

  function allNow() {
    if (typeof Plotly === "undefined") return;
    for (const canvas of canvases) {
      const held = figures.get(canvas.dataset.pump)?.held;
      if (held) drawNow(canvas, held);
    }
  }
  addEventListener("beforeprint", () => {
    allNow();
    for (const canvas of canvases) {
      if (canvas.dataset.drawn) Plotly.relayout(canvas, { autosize: false, width: PRINT_WIDTH, height: PRINT_SHRINK * canvas.dataset.height });
    }
  });
  addEventListener("afterprint", () => {
    for (const canvas of canvases) {
      if (canvas.dataset.drawn) Plotly.relayout(canvas, { autosize: true, width: null, height: Number(canvas.dataset.height) });
    }
  });
  document.getElementById("print").addEventListener("click", async () => { await drawAll(); print(); });
  addEventListener("load", () => {
    const idle = window.requestIdleCallback ?? ((call) => setTimeout(call, 200));
    idle(async () => {
      if (!canvases.length) return;
      try {
        await loadLibrary();
        for (const pump of packed.keys()) await figuresOf(pump);
      } catch { /* each figure says so itself */ }
      document.documentElement.dataset.ready = "yes";
    });
  });

  // ---- buttons under a figure

  for (const figure of document.querySelectorAll("figure.plot")) {
    const canvas = figure.querySelector(".canvas");
    figure.querySelector(".whole")?.addEventListener("click", async () => {
      await draw(canvas);
      const ranges = {};
      for (const [key, axis] of Object.entries(canvas.layout)) {
        if (/^[xy]axis\d*$/.test(key)) ranges[`${key}.autorange`] = axis.range?.[0] > axis.range?.[1] ? "reversed" : true;
      }
      Plotly.relayout(canvas, ranges);
    });
    figure.querySelector(".save")?.addEventListener("click", async () => {
      await draw(canvas);
      Plotly.downloadImage(canvas, { format: "svg", width: 1000, height: Number(canvas.dataset.height), filename: `${canvas.dataset.pump}-${canvas.dataset.name}` });
    });
  }

  // ---- sorting

  const table = document.getElementById("pumps");
  const headings = [...table.querySelectorAll("thead th")];
  const collator = new Intl.Collator(undefined, { numeric: true, sensitivity: "base" });
  function compare(a, b, kind, direction) {
    if (a === "" || b === "") return (a === "") - (b === "");
    return direction * (kind === "number" ? Number(a) - Number(b) : collator.compare(a, b));
  }
  headings.forEach((heading, column) => {
    heading.querySelector("button").addEventListener("click", () => {
      const was = heading.getAttribute("aria-sort");
      const isDown = was === "none" ? false : was === "ascending";
      for (const other of headings) other.setAttribute("aria-sort", "none");
      heading.setAttribute("aria-sort", isDown ? "descending" : "ascending");
      const body = table.tBodies[0];
      const value = (row) => row.cells[column].dataset.value;
      const rows = [...body.rows];
      rows.sort((a, b) => compare(value(a), value(b), heading.dataset.sort, isDown ? -1 : 1));
      body.append(...rows);
      document.getElementById("sorted").textContent =
        `Sorted by ${heading.textContent.trim()}, ${isDown ? "descending" : "ascending"}`;
    });
  });
})();
