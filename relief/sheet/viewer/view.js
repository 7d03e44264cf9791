// The view that is turned by hand: the surfaces in the page, drawn with three.js. Height is the view's y, the
// far side of the table its −z. Drawn only when something changed.
(() => {
  "use strict";
  const figure = document.getElementById("view");
  const canvas = document.getElementById("view-canvas");
  const table = JSON.parse(document.getElementById("view-surfaces").textContent);
  const { columns, rows, bottom } = table;
  const [stepX, stepY] = table.step;
  const width = stepX * (columns - 1);
  const length = stepY * (rows - 1);
  const nodes = columns * rows;

  const bytes = (text) => Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
  const linear = (coded) => (coded <= 0.04045 ? coded / 12.92 : ((coded + 0.055) / 1.055) ** 2.4);
  const palette = Array.from(bytes(table.palette), (value) => linear(value / 255));
  const deviation = bytes(table.deviation);
  const WOOD = [0.83, 0.65, 0.44].map(linear);
  const UNJUDGED = [0.6, 0.6, 0.58].map(linear);

  // ---- surfaces -----------------------------------------------------------------------------------------

  const stages = table.stages.map(({ name, heights, sky }) => ({ name, heights, sky }));
  const unpacked = (stage) => {
    if (typeof stage.heights === "string") {
      const whole = new Uint16Array(bytes(stage.heights).buffer);
      const span = (table.high - table.low) / 65535;
      stage.heights = Float32Array.from(whole, (value) => table.low + span * value);
      stage.sky = bytes(stage.sky);
    }
    return stage;
  };

  const place = new Float32Array(3 * nodes);
  const normal = new Float32Array(3 * nodes);
  const colour = new Float32Array(3 * nodes);
  const top = new three.BufferGeometry();
  top.setAttribute("position", new three.BufferAttribute(place, 3));
  top.setAttribute("normal", new three.BufferAttribute(normal, 3));
  top.setAttribute("color", new three.BufferAttribute(colour, 3));
  top.setIndex(new three.BufferAttribute(cells(), 1));

  function cells() {
    const index = new Uint32Array(6 * (columns - 1) * (rows - 1));
    let n = 0;
    for (let j = 0; j < rows - 1; j++) {
      for (let i = 0; i < columns - 1; i++) {
        const a = j * columns + i;
        for (const corner of [a, a + 1, a + columns + 1, a, a + columns + 1, a + columns]) index[n++] = corner;
      }
    }
    return index;
  }

  function shape(heights) {
    for (let j = 0, n = 0; j < rows; j++) {
      for (let i = 0; i < columns; i++, n++) {
        place[3 * n] = i * stepX - width / 2;
        place[3 * n + 1] = heights[n];
        place[3 * n + 2] = length / 2 - j * stepY;
        const left = heights[i > 0 ? n - 1 : n], right = heights[i < columns - 1 ? n + 1 : n];
        const near = heights[j > 0 ? n - columns : n], far = heights[j < rows - 1 ? n + columns : n];
        const across = (right - left) / (stepX * (i > 0 && i < columns - 1 ? 2 : 1));
        const along = (far - near) / (stepY * (j > 0 && j < rows - 1 ? 2 : 1));
        const size = Math.hypot(1, across, along);
        normal[3 * n] = -across / size;
        normal[3 * n + 1] = 1 / size;
        normal[3 * n + 2] = along / size;
      }
    }
    top.attributes.position.needsUpdate = true;
    top.attributes.normal.needsUpdate = true;
    top.computeBoundingSphere();
  }

  function paint(sky, asDeviation) {
    for (let n = 0; n < nodes; n++) {
      const open = sky[n] / 255;
      const shade = asDeviation ? 0.6 + 0.4 * open : 0.1 + 0.95 * open * open;
      const number = deviation[n];
      for (let k = 0; k < 3; k++) {
        const own = !asDeviation ? WOOD[k] : 3 * number + k < palette.length ? palette[3 * number + k] : UNJUDGED[k];
        colour[3 * n + k] = own * shade;
      }
    }
    top.attributes.color.needsUpdate = true;
  }

  // The board's sides and its underside, without a lid.
  const around = [];
  for (let i = 0; i < columns; i++) around.push(i);
  for (let j = 1; j < rows; j++) around.push(j * columns + columns - 1);
  for (let i = columns - 2; i >= 0; i--) around.push((rows - 1) * columns + i);
  for (let j = rows - 2; j >= 0; j--) around.push(j * columns);
  const sides = new three.BufferGeometry();
  const sidePlace = new Float32Array(18 * (around.length - 1) + 18);
  sides.setAttribute("position", new three.BufferAttribute(sidePlace, 3));

  function wall() {
    let n = 0;
    const put = (node, floor) => {
      sidePlace[n++] = place[3 * node];
      sidePlace[n++] = floor ? bottom : place[3 * node + 1];
      sidePlace[n++] = place[3 * node + 2];
    };
    for (let k = 0; k < around.length - 1; k++) {
      const [a, b] = [around[k], around[k + 1]];
      put(a, true); put(b, true); put(b, false);
      put(a, true); put(b, false); put(a, false);
    }
    const [nearLeft, nearRight, farLeft, farRight] = [0, columns - 1, nodes - columns, nodes - 1];
    for (const node of [nearLeft, farRight, nearRight, nearLeft, farLeft, farRight]) put(node, true);
    sides.attributes.position.needsUpdate = true;
    sides.computeVertexNormals();
    sides.computeBoundingSphere();
  }

  // ---- the view -----------------------------------------------------------------------------------------

  let renderer;
  try {
    renderer = new three.WebGLRenderer({ canvas, antialias: true, alpha: true, preserveDrawingBuffer: true });
  } catch {
    return; // no 3-D on this device: the pictures tell the same
  }
  figure.hidden = false;
  renderer.setPixelRatio(Math.min(window.devicePixelRatio, 2));
  const scene = new three.Scene();
  const camera = new three.PerspectiveCamera(32, 1, 1, 1);
  const wood = new three.MeshLambertMaterial({ color: new three.Color(...WOOD).multiplyScalar(0.7) });
  scene.add(new three.Mesh(top, new three.MeshLambertMaterial({ vertexColors: true })), new three.Mesh(sides, wood));
  scene.add(new three.AmbientLight(0xffffff, 1.2), camera);
  // the lamp goes with the eye, on its upper left: turning the board rakes the light over it
  const lamp = new three.DirectionalLight(0xffffff, 3.1);
  const size = Math.hypot(width, length);
  lamp.position.set(-size, 0.8 * size, 0.3 * size);
  camera.add(lamp, lamp.target);
  const weak = new three.DirectionalLight(0xffffff, 0.35);
  weak.position.set(size, 0.4 * size, 0.5 * size);
  camera.add(weak, weak.target);
  camera.near = size / 50;
  camera.far = 12 * size;

  const controls = new three.OrbitControls(camera, canvas);
  controls.enableZoom = false; // until the view is asked for: the page must scroll over it
  controls.enablePan = false;
  controls.minDistance = 0.3 * size;
  controls.maxDistance = 5 * size;
  controls.maxPolarAngle = 0.94 * Math.PI;
  controls.target.set(0, bottom / 2, 0);
  controls.addEventListener("change", draw);
  canvas.addEventListener("pointerdown", () => canvas.focus({ preventScroll: true }));
  canvas.addEventListener("focus", () => { controls.enableZoom = true; });
  canvas.addEventListener("blur", () => { controls.enableZoom = false; });

  let asked = false;
  function draw() {
    if (asked) return;
    asked = true;
    requestAnimationFrame(() => {
      asked = false;
      renderer.render(scene, camera);
    });
  }

  function fit() {
    renderer.setSize(canvas.clientWidth, canvas.clientHeight, false);
    camera.aspect = canvas.clientWidth / canvas.clientHeight;
    camera.updateProjectionMatrix();
    draw();
  }

  // how far off the whole board just fits into the view, seen from a direction: each corner of its box tells
  function fitting(direction) {
    camera.position.copy(direction).normalize().add(controls.target);
    camera.lookAt(controls.target);
    camera.updateMatrixWorld();
    const spread = Math.tan((camera.fov * Math.PI) / 360);
    let away = 0;
    for (const x of [-width / 2, width / 2]) {
      for (const y of [bottom, table.high]) {
        for (const z of [-length / 2, length / 2]) {
          const corner = camera.position.clone().set(x, y, z).applyMatrix4(camera.matrixWorldInverse);
          const half = Math.max(Math.abs(corner.y), Math.abs(corner.x) / camera.aspect);
          away = Math.max(away, corner.z + 1 + (1.07 * half) / spread);
        }
      }
    }
    return away;
  }

  // turn from the near side, tilt down from upright, both in radians
  function look(turn, tilt) {
    const direction = camera.position.clone().setFromSpherical(new three.Spherical(1, tilt, turn));
    const away = Math.min(Math.max(fitting(direction), controls.minDistance), controls.maxDistance);
    camera.position.setFromSpherical(new three.Spherical(away, tilt, turn)).add(controls.target);
    controls.update();
    draw();
  }

  function move(turn, tilt, nearer) {
    const now = new three.Spherical().setFromVector3(camera.position.clone().sub(controls.target));
    now.theta += turn;
    now.phi = Math.min(Math.max(now.phi + tilt, 0.001), controls.maxPolarAngle);
    now.radius = Math.min(Math.max(now.radius * nearer, controls.minDistance), controls.maxDistance);
    camera.position.setFromSpherical(now).add(controls.target);
    controls.update();
    draw();
  }

  const ways = {
    left: () => move(-0.2, 0, 1),
    right: () => move(0.2, 0, 1),
    up: () => move(0, -0.15, 1),
    down: () => move(0, 0.15, 1),
    nearer: () => move(0, 0, 0.85),
    farther: () => move(0, 0, 1 / 0.85),
    corner: () => look(-0.45, 0.85),
    above: () => look(0, 0.001),
    near: () => look(0, 1.35),
  };
  const keys = {
    ArrowLeft: "left", ArrowRight: "right", ArrowUp: "up", ArrowDown: "down",
    "+": "nearer", "=": "nearer", "-": "farther", Home: "corner",
  };
  canvas.addEventListener("keydown", (event) => {
    const way = keys[event.key];
    if (way && !event.ctrlKey && !event.metaKey && !event.altKey) {
      event.preventDefault();
      ways[way]();
    }
  });
  for (const button of figure.querySelectorAll("button[data-way]")) {
    button.addEventListener("click", ways[button.dataset.way]);
  }

  // ---- what is shown ------------------------------------------------------------------------------------

  const slider = document.getElementById("view-stage");
  const said = document.getElementById("view-stage-name");
  const scale = document.getElementById("view-scale");
  const last = stages.length - 1;

  function show() {
    const number = slider ? Number(slider.value) : last;
    const asDeviation = figure.querySelector("input[name=view-colours]:checked").value === "deviation";
    const stage = unpacked(stages[number]);
    shape(stage.heights);
    wall();
    paint(stage.sky, asDeviation);
    scale.hidden = !asDeviation;
    if (slider) {
      said.textContent = stage.name;
      slider.setAttribute("aria-valuetext", stage.name);
    }
    draw();
  }

  // deviations are those of the finished surface: to see them is to see that
  for (const choice of figure.querySelectorAll("input[name=view-colours]")) {
    choice.addEventListener("change", () => {
      if (slider && choice.value === "deviation") slider.value = String(last);
      show();
    });
  }
  slider?.addEventListener("input", () => {
    if (Number(slider.value) < last) figure.querySelector("input[value=wood]").checked = true;
    show();
  });
  new ResizeObserver(fit).observe(canvas);
  fit();
  show();
  ways.corner();
})();
