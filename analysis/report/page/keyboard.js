// Thousands of linked numbers, few stops of the Tab key: each table, list, paragraph or caption is
// one stop, and arrow keys go between its numbers ("roving tabindex" of the ARIA Authoring
// Practices). Without this script every link is a stop of its own.
(() => {
  const CAME_BY_NUMBER = ".number:target, .entry :target, [id^=place-]:target";
  const numbers = [...document.querySelectorAll("main a[data-number], main .places a")];
  const blocks = new Map();
  const outermostList = (number) => {
    let list = null;
    for (let at = number.closest("ul, ol"); at; at = at.parentElement.closest("ul, ol")) list = at;
    return list;
  };
  const blockOf = (number) =>
    number.closest(".analysis") ?? number.closest("table") ?? outermostList(number) ??
    number.closest("dl, figcaption, .notes, p, section");

  const stops = new Map();
  const makeStop = (number) => {
    const block = blockOf(number);
    if (stops.has(block)) stops.get(block).tabIndex = -1;
    stops.set(block, number);
    number.tabIndex = 0;
  };

  for (const number of numbers) {
    const block = blockOf(number);
    if (!blocks.has(block)) blocks.set(block, []);
    blocks.get(block).push(number);
    number.tabIndex = -1;
  }
  for (const [block, [first]] of blocks) {
    makeStop(first);
    // The focused number scrolls its region, which then needs no stop of its own.
    block.closest(".scroll")?.setAttribute("tabindex", "-1");
  }

  const cellOf = (number) => number.closest("td, th");
  const rowOf = (number) => cellOf(number).parentElement.rowIndex;
  const placeInCell = (number) => [...cellOf(number).querySelectorAll("a")].indexOf(number);

  // The number above or below: of the nearest row that has any, the nearest column and place.
  const inOtherRow = (number, list, direction) => {
    const away = (other) => direction * (rowOf(other) - rowOf(number));
    const rows = list.map(away).filter((distance) => distance > 0);
    const aside = (other) =>
      1000 * Math.abs(cellOf(other).cellIndex - cellOf(number).cellIndex) +
      Math.abs(placeInCell(other) - placeInCell(number));
    return list
      .filter((other) => away(other) === Math.min(...rows))
      .reduce((best, other) => (best && aside(best) <= aside(other) ? best : other), undefined);
  };

  const inTable = (event, number, list) => {
    const row = list.filter((other) => rowOf(other) === rowOf(number));
    const at = row.indexOf(number);
    const ends = event.ctrlKey ? list : row;
    switch (event.key) {
      case "ArrowRight": return row[at + 1];
      case "ArrowLeft": return row[at - 1];
      case "ArrowDown": return inOtherRow(number, list, 1);
      case "ArrowUp": return inOtherRow(number, list, -1);
      case "Home": return ends[0];
      case "End": return ends.at(-1);
    }
  };

  const inText = (event, number, list) => {
    const at = list.indexOf(number);
    switch (event.key) {
      case "ArrowRight": case "ArrowDown": return list[at + 1];
      case "ArrowLeft": case "ArrowUp": return list[at - 1];
      case "Home": return list[0];
      case "End": return list.at(-1);
    }
  };

  const known = new Set(numbers);
  document.addEventListener("focusin", (event) => {
    if (known.has(event.target)) makeStop(event.target);
  });

  document.addEventListener("keydown", (event) => {
    const number = event.target;
    if (!known.has(number) || event.altKey || event.metaKey || event.shiftKey) return;
    // Who came by a number goes back to it; elsewhere Escape keeps its meaning.
    if (event.key === "Escape" && document.querySelector(CAME_BY_NUMBER)) {
      history.back();
      return;
    }
    const block = blockOf(number);
    const next = (block.matches("table") ? inTable : inText)(event, number, blocks.get(block));
    if (!next) return; // At an edge the key scrolls, as anywhere.
    event.preventDefault();
    next.focus();
  });

  // Going back reloads the page: the history keeps which link was followed.
  document.addEventListener("click", (event) => {
    const place = [...document.links].indexOf(event.target.closest?.("a"));
    if (place >= 0) history.replaceState({ followed: place }, "");
  });
  const isInView = ({ top, bottom }) => top >= 0 && bottom <= innerHeight;
  // Parts of a long page get their height when they come into view, which moves what was aimed at.
  const keepInView = (element, frames) => {
    if (!isInView(element.getBoundingClientRect())) element.scrollIntoView({ block: "center" });
    if (frames > 0) requestAnimationFrame(() => keepInView(element, frames - 1));
  };
  const takeUp = () => {
    const link = document.links[history.state?.followed];
    const place = link ?? document.querySelector("a:target, .entry b:target, [id^=place-]:target");
    if (!place) return;
    if (place.matches("a")) place.focus({ preventScroll: true });
    keepInView(place, 20);
  };
  addEventListener("pageshow", takeUp);
  addEventListener("hashchange", takeUp);
})();
