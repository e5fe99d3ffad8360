// Reads arrays as the server packs them (service/phone_arrays.py), exact to the last bit.

export interface Packed {
  kind: "f8" | "i4";
  shape: number[];
  bytes: string;
}
export interface Alike {
  kind: "x4";
  shape: number[];
  bytes: string;
  last: string;
}
export interface Picked {
  kind: "pick";
  shape: number[];
  lines: Packed;
  which: Packed;
}

function content(text: string): Uint8Array<ArrayBuffer> {
  const said = atob(text);
  const found = new Uint8Array(said.length);
  for (let at = 0; at < said.length; at++) found[at] = said.charCodeAt(at);
  return found;
}

// Phones are little-endian, as the bytes are.
export function doubles(packed: Packed): Float64Array {
  return new Float64Array(content(packed.bytes).buffer);
}

export function whole(packed: Packed): Int32Array {
  return new Int32Array(content(packed.bytes).buffer);
}

/** Single precision numbers [lines][rows]. */
export function alike(packed: Alike): Float32Array[] {
  const [lines = 0, rows = 0] = packed.shape;
  const planes = content(packed.bytes);
  const last = new Uint32Array(content(packed.last).buffer);
  const size = lines * rows;
  const found: Float32Array[] = [];
  for (let line = 0; line < lines; line++) {
    const bits = new Uint32Array(rows);
    const sound = last[line]!;
    for (let row = 0; row < rows; row++) {
      const at = line * rows + row;
      const changed = planes[at]! | (planes[size + at]! << 8) | (planes[2 * size + at]! << 16)
        | (planes[3 * size + at]! << 24);
      bits[row] = (sound ^ changed) >>> 0;
    }
    found.push(new Float32Array(bits.buffer));
  }
  return found;
}

/** Doubles by row of which few lines differ: `width` numbers a row. */
export interface Lines {
  width: number;
  lines: Float64Array;
  which: Int32Array;
}

export function picked(packed: Picked): Lines {
  return {
    width: packed.shape.length > 1 ? packed.shape[1]! : 1,
    lines: doubles(packed.lines),
    which: whole(packed.which),
  };
}

/** Weights of the places where a severity may lie, as likelihood.PLACES. */
export const PLACES = [0.5, 0.25, 0.25] as const;

/** Doubles by row, at each place where the row's severity may lie, and those of a severity anywhere. */
export interface Places {
  anywhere: Lines;
  /** None where all places are alike. */
  at: Lines[] | null;
}

/** `width` numbers a row at each place, or the same numbers for all of them. */
export function places(packed: Picked, width: number): Places {
  const { lines, which, width: whole } = picked(packed);
  if (whole === width) return { anywhere: { width, lines, which }, at: null };
  const count = lines.length / whole;
  const at = PLACES.map((_, place) => ({ width, which, lines: Float64Array.from({ length: count * width }, (_, n) =>
    lines[Math.floor(n / width) * whole + place * width + (n % width)]!) }));
  const mixed = at[0]!.lines.map((_, n) => PLACES.reduce((sum, weight, place) => sum + weight * at[place]!.lines[n]!, 0));
  return { anywhere: { width, lines: mixed, which }, at };
}

/** One number of each row. */
export function column(of: Lines, at = 0): Float64Array {
  const found = new Float64Array(of.which.length);
  for (let row = 0; row < found.length; row++) found[row] = of.lines[of.which[row]! * of.width + at]!;
  return found;
}
