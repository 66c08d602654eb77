"use strict";
// The scan in pieces, the apertures marked over it, one of them chosen. Places are in px of the
// scan, pixel centres at whole numbers; `view` says which place is at the canvas's middle.
(() => {
  const root = document.getElementById("viewer");
  const canvas = root.querySelector("canvas");
  const paint = canvas.getContext("2d");
  const said = document.getElementById("viewer-said");
  const { scan } = root.dataset;
  const [width, height, levels, tile] = ["width", "height", "levels", "tile"].map((name) => Number(root.dataset[name]));
  // Okabe and Ito (2008), as in the overlay that is kept with the check.
  const COLOUR = { o: "#0072b2", b: "#e69f00", t: "#d55e00", u: "#cc79a7", p: "#969696" };
  const view = { x: width / 2, y: height / 2, zoom: 1 };
  const pieces = new Map();
  let marks = true;
  let afar = null; // apertures marked however far away one looks
  let chosen = null; // { index, corners }
  let moving = false; // whether the view follows the next one chosen
  let asked = false;

  const size = () => [canvas.clientWidth, canvas.clientHeight];
  const fitting = () => Math.min(size()[0] / width, size()[1] / height);
  // The scan fills the canvas as far as it can.
  const within = (at, length, seen) => (seen >= length ? length / 2 : Math.min(Math.max(at, seen / 2), length - seen / 2));
  const limit = () => {
    view.zoom = Math.min(Math.max(view.zoom, Math.min(fitting(), 1)), 40);
    const [w, h] = size();
    view.x = within(view.x, width, w / view.zoom);
    view.y = within(view.y, height, h / view.zoom);
  };
  const draw = () => {
    if (asked) return;
    asked = true;
    requestAnimationFrame(() => {
      asked = false;
      render();
    });
  };

  const piece = (level, column, row) => {
    const name = `${level}/${column}/${row}`;
    let image = pieces.get(name);
    if (!image) {
      image = new Image();
      image.onload = draw;
      image.src = `${scan}/pieces/${name}.png`;
      pieces.set(name, image);
    }
    return image.complete && image.naturalWidth ? image : null;
  };

  const squares = (level) => {
    const [w, h] = size();
    const side = tile * 2 ** level;
    const left = Math.max(0, Math.floor((view.x - w / 2 / view.zoom) / side));
    const top = Math.max(0, Math.floor((view.y - h / 2 / view.zoom) / side));
    const right = Math.min(Math.ceil(width / side) - 1, Math.floor((view.x + w / 2 / view.zoom) / side));
    const bottom = Math.min(Math.ceil(height / side) - 1, Math.floor((view.y + h / 2 / view.zoom) / side));
    const found = [];
    for (let row = top; row <= bottom; row++) {
      for (let column = left; column <= right; column++) found.push([column, row]);
    }
    return found;
  };

  const drawLevel = (level) => {
    const [w, h] = size();
    const side = tile * 2 ** level;
    for (const [column, row] of squares(level)) {
      const image = piece(level, column, row);
      if (!image) continue;
      const x = w / 2 + (column * side - view.x) * view.zoom;
      const y = h / 2 + (row * side - view.y) * view.zoom;
      const across = Math.min(side, width - column * side) * view.zoom;
      const down = Math.min(side, height - row * side) * view.zoom;
      paint.drawImage(image, x, y, across, down);
    }
  };

  const place = (x, y) => {
    const [w, h] = size();
    return [w / 2 + (x + 0.5 - view.x) * view.zoom, h / 2 + (y + 0.5 - view.y) * view.zoom];
  };
  const around = (c, grown = 1) => {
    const mx = (c[0] + c[2] + c[4] + c[6]) / 4;
    const my = (c[1] + c[3] + c[5] + c[7]) / 4;
    return [0, 2, 4, 6].map((k) => place(mx + grown * (c[k] - mx), my + grown * (c[k + 1] - my)));
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
    const frame = around(corners);
    if (state === "p") {
      frame.forEach((a, k) => {
        const b = frame[(k + 1) % 4];
        paint.moveTo(...a);
        paint.lineTo(a[0] + 0.2 * (b[0] - a[0]), a[1] + 0.2 * (b[1] - a[1]));
      });
      return;
    }
    closed(frame);
    if (state === "t") closed(around(corners, 0.6));
    if (state === "b" || state === "u") {
      paint.moveTo(...frame[0]);
      paint.lineTo(...frame[2]);
    }
    if (state === "b") {
      paint.moveTo(...frame[1]);
      paint.lineTo(...frame[3]);
    }
  };

  // Four strokes that point at an aperture from its sides: no state is marked like this.
  const pointers = (corners) => {
    const [near, far] = [around(corners, 1.25), around(corners, 2.1)];
    for (let k = 0; k < 4; k++) {
      const n = (k + 1) % 4;
      paint.moveTo((near[k][0] + near[n][0]) / 2, (near[k][1] + near[n][1]) / 2);
      paint.lineTo((far[k][0] + far[n][0]) / 2, (far[k][1] + far[n][1]) / 2);
    }
  };

  // The apertures of a square of the scan, asked for once; none until they are there.
  const marked = new Map();
  const marksOf = (column, row) => {
    const name = `${column}/${row}`;
    if (!marked.has(name)) {
      marked.set(name, null);
      fetch(`${scan}/marks/${name}.json`)
        .then((answer) => answer.json())
        .then((data) => {
          marked.set(name, data);
          draw();
        });
    }
    return marked.get(name);
  };

  const MOST_SQUARES = 30; // beyond, frames would be a veil over the scan
  const drawMarks = () => {
    const near = squares(0);
    const groups = near.length <= MOST_SQUARES ? near.map((one) => marksOf(...one)) : [];
    for (const state of "poubt") {
      stroke(COLOUR[state], state === "o" || state === "p" ? 1 : 2, () => {
        for (const group of [...groups, afar]) {
          if (!group) continue;
          group.corners.forEach((corners, i) => {
            if (group.state[i] === state && (state !== "o" && state !== "p" || apart(corners) * view.zoom > 7)) mark(corners, state);
          });
        }
      });
    }
    for (const corners of afar.widest) {
      stroke("#fff", 5, () => closed(around(corners, 1.15)));
      stroke("#000", 3, () => closed(around(corners, 1.15)));
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
    paint.imageSmoothingEnabled = view.zoom < 3; // close to, every pixel is to be seen
    drawLevel(levels); // until the finer pieces are there
    const level = Math.min(levels, Math.max(0, Math.floor(-Math.log2(view.zoom))));
    if (level !== levels) drawLevel(level);
    if (!afar) return;
    if (marks) drawMarks();
    if (chosen) {
      stroke("#fff", 7, () => pointers(chosen.corners));
      stroke("#000", 4, () => pointers(chosen.corners));
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

  // What is chosen is asked of the server, by number, by place or as a neighbour; its answer says
  // which aperture it was.
  const ask = (what, follow) => {
    moving = follow;
    htmx.ajax("GET", `${scan}/apertures/${what}`, { target: "#closeup", swap: "innerHTML" });
  };
  document.getElementById("closeup").addEventListener("htmx:afterSwap", () => {
    const seen = document.getElementById("seen");
    if (!seen) return;
    const corners = seen.dataset.corners.split(" ").map(Number);
    chosen = { index: seen.dataset.index, corners };
    if (moving) {
      Object.assign(view, { x: (corners[0] + corners[4]) / 2, y: (corners[1] + corners[5]) / 2 });
      view.zoom = Math.max(view.zoom, Math.min(3, 60 / apart(corners)));
    }
    document.querySelectorAll("[data-aperture]").forEach((button) => {
      button.setAttribute("aria-pressed", String(button.dataset.aperture === chosen.index));
    });
    said.textContent = seen.textContent;
    draw();
  });
  const step = (rows, columns) => {
    if (chosen) ask(`${chosen.index}/beside?rows=${rows}&columns=${columns}`, true);
    else ask(`nearest?x=${view.x}&y=${view.y}`, true);
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
    ask(`nearest?x=${x.toFixed(1)}&y=${y.toFixed(1)}`, false);
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
    const deed = event.target.dataset.do;
    if (deed === "in") zoomMiddle(1.5);
    if (deed === "out") zoomMiddle(1 / 1.5);
    if (deed === "fit") fit();
    if (deed === "pixel") zoomMiddle(1 / view.zoom);
    if (deed === "marks") {
      marks = event.target.checked;
      draw();
    }
  });
  document.querySelectorAll("[data-aperture]").forEach((button) => {
    button.addEventListener("click", () => ask(button.dataset.aperture, true));
  });
  new ResizeObserver(draw).observe(canvas);

  fit();
  fetch(`${scan}/marks.json`)
    .then((answer) => answer.json())
    .then((data) => {
      afar = data;
      root.dataset.ready = "yes";
      draw();
    });
})();
