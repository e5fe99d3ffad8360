// Where a figure or a habit is from, in few words.

/**
 * A source as a person can use it: what a file of the project's own notes quotes, without the name of that file, which
 * nobody at a machine has; then how good it is, once.
 */
export function sourceWords(source: string, status = ""): string {
  const noted = /^\w+\.(?:csv|md)[^:;(]*[:;(]?\s*/.exec(source);
  const quoted = noted ? source.slice(noted[0].length).replace(/^([^(]*)\)$/, "$1") : source;
  return [...new Set([quoted, status].filter(Boolean))].join("; ");
}
