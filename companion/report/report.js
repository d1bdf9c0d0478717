"use strict";
(function () {
  // Where a chart's point leads: the row that tells its event.
  function go(anchor) {
    const row = document.getElementById(anchor);
    if (!row) return;
    for (let box = row.parentElement; box; box = box.parentElement) if (box.tagName === "DETAILS") box.open = true;
    location.hash = anchor;
  }

  const charts = [];
  for (const source of document.querySelectorAll("script[data-chart]")) {
    const box = document.getElementById(source.dataset.chart);
    const figure = JSON.parse(source.textContent);
    const meta = figure.layout.meta || {};
    if (box.clientWidth < 560) figure.layout.height += meta.narrow || 0; // the legend takes more lines
    box.style.height = figure.layout.height + "px";
    // The buttons are named one by one: the library's own set offers to upload the chart, places included.
    const config = { displaylogo: false, responsive: true, scrollZoom: false, showSendToCloud: false,
      plotlyServerURL: "", modeBarButtons: [["zoom2d", "pan2d", "zoomIn2d", "zoomOut2d", "resetScale2d"]] };
    Plotly.newPlot(box, figure.data, figure.layout, config);
    box.on("plotly_click", (event) => { if (event.points[0].customdata) go(event.points[0].customdata); });
    charts.push({ box, height: figure.layout.height, paper: Math.min(meta.paper || figure.layout.height, figure.layout.height) });
  }

  // Paper is as wide as it is: the charts are drawn again for it, and for the screen afterwards.
  let onPaper = false;
  function fit(paper) {
    if (paper === onPaper) return;
    onPaper = paper;
    for (const { box, height, paper: low } of charts) {
      const beside = box.parentElement.classList.contains("beside") && box.nextElementSibling;
      box.style.height = (paper ? low : height) + "px";
      if (!paper) delete box.layout.width;
      Plotly.relayout(box, paper ? { width: beside ? 500 : 690, height: low } : { autosize: true, height });
    }
  }
  window.matchMedia("print").addEventListener("change", (change) => fit(change.matches));
  window.addEventListener("beforeprint", () => fit(true));
  window.addEventListener("afterprint", () => fit(false));

  // A link into something folded unfolds it.
  function unfold() {
    const row = location.hash.length > 1 && document.getElementById(location.hash.slice(1));
    for (let box = row && row.parentElement; box; box = box.parentElement) if (box.tagName === "DETAILS") box.open = true;
  }
  window.addEventListener("hashchange", unfold);
  unfold();

  // One clip at a time.
  let playing = null;
  function stop() {
    if (!playing) return;
    playing.sound.pause();
    playing.button.setAttribute("aria-pressed", "false");
    playing.button.textContent = "▶";
    playing = null;
  }
  document.addEventListener("click", (event) => {
    const button = event.target.closest("button.play");
    if (!button) return;
    const again = playing && playing.button === button;
    stop();
    if (again) return;
    const sound = document.getElementById(button.dataset.clip);
    sound.currentTime = 0;
    sound.onended = stop;
    playing = { sound, button };
    button.setAttribute("aria-pressed", "true");
    button.textContent = "■";
    sound.play().catch(stop);
  });

  // Tables that sort: by the number a cell carries, else by its words.
  for (const table of document.querySelectorAll("table.sorts")) {
    const heads = [...table.tHead.rows[0].cells];
    heads.forEach((head, column) => {
      const button = head.querySelector("button");
      if (!button) return;
      button.addEventListener("click", () => {
        const up = head.getAttribute("aria-sort") !== "ascending";
        for (const other of heads) other.removeAttribute("aria-sort");
        head.setAttribute("aria-sort", up ? "ascending" : "descending");
        const key = (row) => row.cells[column].dataset.sort ?? row.cells[column].textContent.trim();
        const rows = [...table.tBodies[0].rows].sort((a, b) => {
          const [p, q] = [key(a), key(b)];
          if (p === "" || q === "") return p === q ? 0 : p === "" ? 1 : -1;
          const by = isNaN(p) || isNaN(q) ? p.localeCompare(q) : p - q;
          return up ? by : -by;
        });
        table.tBodies[0].append(...rows);
      });
    });
  }
})();
