"use strict";
// Draws the tiles of the scan, the marks of its apertures and the selected aperture. Coordinates
// are px of the scan, pixel centres at whole numbers; `view` has the point at the canvas's middle.
(() => {
  const root = document.getElementById("viewer");
  const canvas = root.querySelector("canvas");
  const paint = canvas.getContext("2d");
  const status = document.getElementById("viewer-status");
  const { scan } = root.dataset;
  const [width, height, levels, side0] = ["width", "height", "levels", "tile"].map((name) => Number(root.dataset[name]));
  // Okabe and Ito (2008), as in the overlay that is kept with the check.
  const COLOUR = { o: "#0072b2", b: "#e69f00", t: "#d55e00", u: "#cc79a7", p: "#969696" };
  const view = { x: width / 2, y: height / 2, zoom: 1 };
  const tiles = new Map();
  let marks = true;
  let overview = null; // apertures marked at every magnification
  let selected = null; // { index, corners }
  let following = false; // whether the view moves to the next aperture selected
  let scheduled = false;

  const size = () => [canvas.clientWidth, canvas.clientHeight];
  const fitting = () => Math.min(size()[0] / width, size()[1] / height);
  // The scan fills the canvas as far as possible.
  const within = (at, length, visible) => (visible >= length ? length / 2 : Math.min(Math.max(at, visible / 2), length - visible / 2));
  const limit = () => {
    view.zoom = Math.min(Math.max(view.zoom, Math.min(fitting(), 1)), 40);
    const [w, h] = size();
    view.x = within(view.x, width, w / view.zoom);
    view.y = within(view.y, height, h / view.zoom);
  };
  const draw = () => {
    if (scheduled) return;
    scheduled = true;
    requestAnimationFrame(() => {
      scheduled = false;
      render();
    });
  };

  const tileImage = (level, column, row) => {
    const name = `${level}/${column}/${row}`;
    let image = tiles.get(name);
    if (!image) {
      image = new Image();
      image.onload = draw;
      image.src = `${scan}/tiles/${name}.png`;
      tiles.set(name, image);
    }
    return image.complete && image.naturalWidth ? image : null;
  };

  const visibleTiles = (level) => {
    const [w, h] = size();
    const side = side0 * 2 ** level;
    const left = Math.max(0, Math.floor((view.x - w / 2 / view.zoom) / side));
    const top = Math.max(0, Math.floor((view.y - h / 2 / view.zoom) / side));
    const right = Math.min(Math.ceil(width / side) - 1, Math.floor((view.x + w / 2 / view.zoom) / side));
    const bottom = Math.min(Math.ceil(height / side) - 1, Math.floor((view.y + h / 2 / view.zoom) / side));
    const tilesInView = [];
    for (let row = top; row <= bottom; row++) {
      for (let column = left; column <= right; column++) tilesInView.push([column, row]);
    }
    return tilesInView;
  };

  const drawLevel = (level) => {
    const [w, h] = size();
    const side = side0 * 2 ** level;
    for (const [column, row] of visibleTiles(level)) {
      const image = tileImage(level, column, row);
      if (!image) continue;
      const x = w / 2 + (column * side - view.x) * view.zoom;
      const y = h / 2 + (row * side - view.y) * view.zoom;
      const across = Math.min(side, width - column * side) * view.zoom;
      const down = Math.min(side, height - row * side) * view.zoom;
      paint.drawImage(image, x, y, across, down);
    }
  };

  const onCanvas = (x, y) => {
    const [w, h] = size();
    return [w / 2 + (x + 0.5 - view.x) * view.zoom, h / 2 + (y + 0.5 - view.y) * view.zoom];
  };
  const outline = (c, scale = 1) => {
    const mx = (c[0] + c[2] + c[4] + c[6]) / 4;
    const my = (c[1] + c[3] + c[5] + c[7]) / 4;
    return [0, 2, 4, 6].map((k) => onCanvas(mx + scale * (c[k] - mx), my + scale * (c[k + 1] - my)));
  };
  const closed = (points) => {
    paint.moveTo(...points[0]);
    for (const point of points.slice(1)) paint.lineTo(...point);
    paint.closePath();
  };
  const stroke = (colour, thick, trace) => {
    paint.beginPath();
    trace();
    paint.strokeStyle = colour;
    paint.lineWidth = thick;
    paint.stroke();
  };

  const mark = (corners, state) => {
    const frame = outline(corners);
    if (state === "p") {
      frame.forEach((a, k) => {
        const b = frame[(k + 1) % 4];
        paint.moveTo(...a);
        paint.lineTo(a[0] + 0.2 * (b[0] - a[0]), a[1] + 0.2 * (b[1] - a[1]));
      });
      return;
    }
    closed(frame);
    if (state === "t") closed(outline(corners, 0.6));
    if (state === "b" || state === "u") {
      paint.moveTo(...frame[0]);
      paint.lineTo(...frame[2]);
    }
    if (state === "b") {
      paint.moveTo(...frame[1]);
      paint.lineTo(...frame[3]);
    }
  };

  // Four strokes that point at an aperture from its sides: no state has this mark.
  const pointers = (corners) => {
    const [near, far] = [outline(corners, 1.25), outline(corners, 2.1)];
    for (let k = 0; k < 4; k++) {
      const n = (k + 1) % 4;
      paint.moveTo((near[k][0] + near[n][0]) / 2, (near[k][1] + near[n][1]) / 2);
      paint.lineTo((far[k][0] + far[n][0]) / 2, (far[k][1] + far[n][1]) / 2);
    }
  };

  // The apertures of a tile, requested once; null until they arrive.
  const marksByTile = new Map();
  const marksOf = (column, row) => {
    const name = `${column}/${row}`;
    if (!marksByTile.has(name)) {
      marksByTile.set(name, null);
      fetch(`${scan}/marks/${name}.json`)
        .then((answer) => answer.json())
        .then((data) => {
          marksByTile.set(name, data);
          draw();
        });
    }
    return marksByTile.get(name);
  };

  const MOST_TILES = 30; // with more in view the outlines would hide the scan
  const drawMarks = () => {
    const near = visibleTiles(0);
    const groups = near.length <= MOST_TILES ? near.map(([column, row]) => marksOf(column, row)) : [];
    for (const state of "poubt") {
      stroke(COLOUR[state], state === "o" || state === "p" ? 1 : 2, () => {
        for (const group of [...groups, overview]) {
          if (!group) continue;
          group.corners.forEach((corners, i) => {
            if (group.state[i] === state && (state !== "o" && state !== "p" || apart(corners) * view.zoom > 7)) mark(corners, state);
          });
        }
      });
    }
    for (const corners of overview.widest) {
      stroke("#fff", 5, () => closed(outline(corners, 1.15)));
      stroke("#000", 3, () => closed(outline(corners, 1.15)));
    }
  };

  const render = () => {
    const [w, h] = size();
    const dense = window.devicePixelRatio || 1;
    if (canvas.width !== Math.round(w * dense) || canvas.height !== Math.round(h * dense)) {
      canvas.width = Math.round(w * dense);
      canvas.height = Math.round(h * dense);
    }
    limit();
    paint.setTransform(dense, 0, 0, dense, 0, 0);
    paint.clearRect(0, 0, w, h);
    paint.imageSmoothingEnabled = view.zoom < 3; // magnified, every pixel stays visible
    drawLevel(levels); // until the finer tiles arrive
    const level = Math.min(levels, Math.max(0, Math.floor(-Math.log2(view.zoom))));
    if (level !== levels) drawLevel(level);
    if (!overview) return;
    if (marks) drawMarks();
    if (selected) {
      stroke("#fff", 7, () => pointers(selected.corners));
      stroke("#000", 4, () => pointers(selected.corners));
    }
    root.dataset.drawn = `${view.zoom.toFixed(4)} ${view.x.toFixed(1)} ${view.y.toFixed(1)}`;
  };

  const zoomAt = (factor, cx, cy) => {
    const [w, h] = size();
    const before = view.zoom;
    view.zoom *= factor;
    limit();
    const kept = 1 / before - 1 / view.zoom;
    view.x += (cx - w / 2) * kept;
    view.y += (cy - h / 2) * kept;
    draw();
  };
  const zoomMiddle = (factor) => zoomAt(factor, size()[0] / 2, size()[1] / 2);
  const fit = () => {
    Object.assign(view, { x: width / 2, y: height / 2, zoom: fitting() });
    draw();
  };

  const apart = (c) => Math.hypot(c[2] - c[0], c[3] - c[1]);

  // Requests the close-up of an aperture by number, point or neighbour; the answer has its number.
  const select = (what, follow) => {
    following = follow;
    htmx.ajax("GET", `${scan}/apertures/${what}`, { target: "#closeup", swap: "innerHTML" });
  };
  document.getElementById("closeup").addEventListener("htmx:afterSwap", () => {
    const title = document.getElementById("closeup-title");
    if (!title) return;
    const corners = title.dataset.corners.split(" ").map(Number);
    selected = { index: title.dataset.index, corners };
    if (following) {
      Object.assign(view, { x: (corners[0] + corners[4]) / 2, y: (corners[1] + corners[5]) / 2 });
      view.zoom = Math.max(view.zoom, Math.min(3, 60 / apart(corners)));
    }
    document.querySelectorAll("[data-aperture]").forEach((button) => {
      button.setAttribute("aria-pressed", String(button.dataset.aperture === selected.index));
    });
    status.textContent = title.textContent;
    draw();
  });
  const step = (rows, columns) => {
    if (selected) select(`${selected.index}/neighbour?rows=${rows}&columns=${columns}`, true);
    else select(`nearest?x=${view.x}&y=${view.y}`, true);
  };

  const fingers = new Map();
  let moved = 0;
  canvas.addEventListener("pointerdown", (event) => {
    canvas.setPointerCapture(event.pointerId);
    fingers.set(event.pointerId, [event.offsetX, event.offsetY]);
    moved = fingers.size > 1 ? 99 : 0;
  });
  canvas.addEventListener("pointermove", (event) => {
    const last = fingers.get(event.pointerId);
    if (!last) return;
    const here = [event.offsetX, event.offsetY];
    if (fingers.size === 1) {
      moved += Math.hypot(here[0] - last[0], here[1] - last[1]);
      if (moved > 4) {
        view.x -= (here[0] - last[0]) / view.zoom;
        view.y -= (here[1] - last[1]) / view.zoom;
      }
    } else {
      const other = [...fingers].find(([id]) => id !== event.pointerId)[1];
      const before = Math.hypot(last[0] - other[0], last[1] - other[1]);
      const after = Math.hypot(here[0] - other[0], here[1] - other[1]);
      if (before > 1) zoomAt(after / before, other[0], other[1]);
    }
    fingers.set(event.pointerId, here);
    draw();
  });
  const lift = (event) => fingers.delete(event.pointerId);
  canvas.addEventListener("pointercancel", lift);
  canvas.addEventListener("pointerup", (event) => {
    lift(event);
    if (moved > 4) return;
    const [w, h] = size();
    const x = view.x + (event.offsetX - w / 2) / view.zoom - 0.5;
    const y = view.y + (event.offsetY - h / 2) / view.zoom - 0.5;
    select(`nearest?x=${x.toFixed(1)}&y=${y.toFixed(1)}`, false);
  });
  canvas.addEventListener("wheel", (event) => {
    event.preventDefault();
    zoomAt(Math.exp(-event.deltaY / 400), event.offsetX, event.offsetY);
  }, { passive: false });
  canvas.addEventListener("keydown", (event) => {
    const keys = {
      ArrowLeft: () => step(0, -1),
      ArrowRight: () => step(0, 1),
      ArrowUp: () => step(-1, 0),
      ArrowDown: () => step(1, 0),
      "+": () => zoomMiddle(1.5),
      "=": () => zoomMiddle(1.5),
      "-": () => zoomMiddle(1 / 1.5),
      0: fit,
    };
    if (!(event.key in keys) || event.ctrlKey || event.metaKey) return;
    event.preventDefault();
    keys[event.key]();
  });
  root.addEventListener("click", (event) => {
    const { action } = event.target.dataset;
    if (action === "in") zoomMiddle(1.5);
    if (action === "out") zoomMiddle(1 / 1.5);
    if (action === "fit") fit();
    if (action === "pixel") zoomMiddle(1 / view.zoom);
    if (action === "marks") {
      marks = event.target.checked;
      draw();
    }
  });
  document.querySelectorAll("[data-aperture]").forEach((button) => {
    button.addEventListener("click", () => select(button.dataset.aperture, true));
  });
  new ResizeObserver(draw).observe(canvas);

  fit();
  fetch(`${scan}/marks.json`)
    .then((answer) => answer.json())
    .then((data) => {
      overview = data;
      root.dataset.ready = "yes";
      draw();
    });
})();
