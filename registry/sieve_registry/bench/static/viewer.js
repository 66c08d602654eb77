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
  let found = null;
  let chosen = -1;
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

  const drawLevel = (level) => {
    const [w, h] = size();
    const side = tile * 2 ** level;
    const left = Math.max(0, Math.floor((view.x - w / 2 / view.zoom) / side));
    const top = Math.max(0, Math.floor((view.y - h / 2 / view.zoom) / side));
    const right = Math.min(Math.ceil(width / side) - 1, Math.floor((view.x + w / 2 / view.zoom) / side));
    const bottom = Math.min(Math.ceil(height / side) - 1, Math.floor((view.y + h / 2 / view.zoom) / side));
    for (let row = top; row <= bottom; row++) {
      for (let column = left; column <= right; column++) {
        const image = piece(level, column, row);
        if (!image) continue;
        const scale = 2 ** level * view.zoom;
        const x = w / 2 + (column * side - view.x) * view.zoom;
        const y = h / 2 + (row * side - view.y) * view.zoom;
        paint.drawImage(image, x, y, image.naturalWidth * scale, image.naturalHeight * scale);
      }
    }
  };

  const place = (x, y) => {
    const [w, h] = size();
    return [w / 2 + (x + 0.5 - view.x) * view.zoom, h / 2 + (y + 0.5 - view.y) * view.zoom];
  };
  const around = (index, grown = 1) => {
    const c = found.corners[index];
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

  const mark = (index, state) => {
    const frame = around(index);
    if (state === "p") {
      frame.forEach((a, k) => {
        const b = frame[(k + 1) % 4];
        paint.moveTo(...a);
        paint.lineTo(a[0] + 0.2 * (b[0] - a[0]), a[1] + 0.2 * (b[1] - a[1]));
      });
      return;
    }
    closed(frame);
    if (state === "t") closed(around(index, 0.6));
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
  const pointers = (index) => {
    const [near, far] = [around(index, 1.25), around(index, 2.1)];
    for (let k = 0; k < 4; k++) {
      const n = (k + 1) % 4;
      paint.moveTo((near[k][0] + near[n][0]) / 2, (near[k][1] + near[n][1]) / 2);
      paint.lineTo((far[k][0] + far[n][0]) / 2, (far[k][1] + far[n][1]) / 2);
    }
  };

  const drawMarks = () => {
    const [w, h] = size();
    const seen = [];
    for (let i = 0; i < found.state.length; i++) {
      const [x, y] = place(found.corners[i][0], found.corners[i][1]);
      if (x > -200 && y > -200 && x < w + 200 && y < h + 200) seen.push(i);
    }
    const one = around(0);
    const side = Math.hypot(one[1][0] - one[0][0], one[1][1] - one[0][1]);
    for (const state of "poubt") {
      if ((state === "o" || state === "p") && side < 7) continue; // only a veil over the scan
      stroke(COLOUR[state], state === "o" || state === "p" ? 1 : 2, () => {
        for (const i of seen) if (found.state[i] === state) mark(i, state);
      });
    }
    for (const i of found.widest) {
      stroke("#fff", 5, () => closed(around(i, 1.15)));
      stroke("#000", 3, () => closed(around(i, 1.15)));
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
    if (!found) return;
    if (marks) drawMarks();
    if (chosen >= 0) {
      stroke("#fff", 7, () => pointers(chosen));
      stroke("#000", 4, () => pointers(chosen));
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

  const inside = (index, x, y) => {
    const c = found.corners[index];
    let positive = 0;
    for (let k = 0; k < 8; k += 2) {
      const n = (k + 2) % 8;
      const turn = (c[n] - c[k]) * (y - c[k + 1]) - (c[n + 1] - c[k + 1]) * (x - c[k]);
      positive += turn > 0 ? 1 : -1;
    }
    return Math.abs(positive) === 4;
  };
  const middle = (index) => {
    const c = found.corners[index];
    return [(c[0] + c[4]) / 2, (c[1] + c[5]) / 2];
  };
  const nearest = (x, y) => {
    let best = -1;
    let least = Infinity;
    for (let i = 0; i < found.state.length; i++) {
      const [mx, my] = middle(i);
      const far = (mx - x) ** 2 + (my - y) ** 2;
      if (far < least) [best, least] = [i, far];
    }
    return best;
  };

  const choose = (index, move) => {
    if (index < 0) return;
    chosen = index;
    if (move) {
      [view.x, view.y] = middle(index);
      view.zoom = Math.max(view.zoom, Math.min(3, 60 / apart()));
    }
    document.querySelectorAll("[data-aperture]").forEach((button) => {
      button.setAttribute("aria-pressed", String(Number(button.dataset.aperture) === index));
    });
    said.textContent = `Row ${found.row[index]}, column ${found.column[index]}`;
    htmx.ajax("GET", `${scan}/apertures/${index}`, { target: "#closeup", swap: "innerHTML" });
    draw();
  };
  const apart = () => {
    const c = found.corners[0];
    return Math.hypot(c[2] - c[0], c[3] - c[1]);
  };
  const step = (rows, columns) => {
    if (chosen < 0) {
      choose(nearest(view.x, view.y), true);
      return;
    }
    const row = found.row[chosen] + rows;
    const column = found.column[chosen] + columns;
    const next = found.row.findIndex((r, i) => r === row && found.column[i] === column);
    if (next >= 0) choose(next, true);
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
    if (moved > 4 || !found) return;
    const [w, h] = size();
    const x = view.x + (event.offsetX - w / 2) / view.zoom - 0.5;
    const y = view.y + (event.offsetY - h / 2) / view.zoom - 0.5;
    const near = nearest(x, y);
    const [mx, my] = near < 0 ? [Infinity, 0] : middle(near);
    if (near >= 0 && (inside(near, x, y) || Math.hypot(mx - x, my - y) < 2 * apart())) choose(near, false);
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
    if (!(event.key in keys) || !found || event.ctrlKey || event.metaKey) return;
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
    button.addEventListener("click", () => choose(Number(button.dataset.aperture), true));
  });
  new ResizeObserver(draw).observe(canvas);

  fit();
  fetch(`${scan}/apertures.json`)
    .then((answer) => answer.json())
    .then((data) => {
      found = data;
      root.dataset.ready = "yes";
      draw();
    });
})();
