// A sheet over the screen that keeps the focus until it is closed.
import type { ComponentChildren } from "preact";
import { useEffect, useId, useRef } from "preact/hooks";
import { say } from "../texts/say";

export function Sheet(given: { title: string; onClose: () => void; children: ComponentChildren }) {
  const box = useRef<HTMLDialogElement>(null);
  const title = useId();
  useEffect(() => {
    const before = document.activeElement;
    box.current?.showModal();
    return () => {
      if (before instanceof HTMLElement && before.isConnected) before.focus();
    };
  }, []);
  return (
    <dialog
      ref={box}
      class="sheet"
      aria-labelledby={title}
      onCancel={(event) => {
        event.preventDefault();
        given.onClose();
      }}
    >
      <header>
        <h2 id={title}>{given.title}</h2>
        <button type="button" class="quiet" onClick={given.onClose}>{say("close")}</button>
      </header>
      <div class="sheet-body">{given.children}</div>
    </dialog>
  );
}
