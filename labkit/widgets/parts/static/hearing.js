// Joined behind a widget's script, which calls what it exports `half`.
//
// The widget library gives a script two seconds to begin; on a busy laptop one begins later, and
// then the library drops whatever Python sends to it. So each script asks, as it begins, whether its
// widget was given up, and if so takes what Python sends itself and asks how things stand now.

async function hearAgain(model) {
  const real = await model.widget_manager.get_model(model.get("own_id"));
  try {
    await real._handle_comm_msg({ content: { data: { method: "none" } } });
  } catch {
    const { _handle_comm_msg: hear } = Object.getPrototypeOf(Object.getPrototypeOf(real));
    real.comm.on_msg((message) => hear.call(real, message));
    real.comm.send({ method: "request_state" }, real.callbacks());
  }
}

export default () => {
  const own = typeof half === "function" ? half() : half;
  return {
    ...own,
    initialize(at) {
      own.initialize?.(at);
      hearAgain(at.model); // not waited for: the library answers once this has returned
    },
  };
};
