// An OPC UA client of another making (node-opcua), driven line by line: a request as JSON on standard input, its
// answer as JSON on standard output. See peer.py.

const readline = require("node:readline");
const ua = require(process.argv[2]);
const { OPCUACertificateManager } = require(require.resolve("node-opcua-certificate-manager", { paths: [process.argv[2]] }));

let client, session, subscription;
const heard = { values: [], events: [] };
const EVENT_FIELDS = [
  "EventId", "ConditionId", "SourceName", "ConditionName", "Severity", "Message", "ActiveState.Id", "AckedState.Id",
  "Retain", "ShelvingState.CurrentState", "SuppressedOrShelved", "OutOfServiceState.Id", "Comment", "ClientUserId", "Time",
];

const REQUESTS = {
  async connect({ url, certificate, key, user, password, pki }) {
    const manager = new OPCUACertificateManager({ rootFolder: pki, automaticallyAcceptUnknownCertificate: true });
    await manager.initialize();
    client = ua.OPCUAClient.create({
      applicationName: "peer", applicationUri: "urn:hissmark:test-client", certificateFile: certificate, privateKeyFile: key,
      securityMode: ua.MessageSecurityMode.SignAndEncrypt, securityPolicy: ua.SecurityPolicy.Basic256Sha256,
      clientCertificateManager: manager, endpointMustExist: false, connectionStrategy: { maxRetry: 0 },
    });
    await client.connect(url);
    session = await client.createSession({ type: ua.UserTokenType.UserName, userName: user, password });
    return session.readNamespaceArray();
  },
  async browse({ node }) {
    const found = await session.browse(node);
    if (!found.statusCode.isGood()) throw new Error(found.statusCode.name);
    return found.references.map((r) => [r.browseName.name, r.nodeId.toString(), r.nodeClass]);
  },
  async read({ node }) {
    const value = await session.read({ nodeId: node, attributeId: ua.AttributeIds.Value });
    return shown(value);
  },
  async subscribe({ node }) {
    await subscribed();
    const item = await subscription.monitor({ nodeId: node, attributeId: ua.AttributeIds.Value }, { samplingInterval: 100, queueSize: 100 },
      ua.TimestampsToReturn.Both);
    item.on("changed", (value) => heard.values.push(shown(value)));
  },
  async listen({ node, type }) {
    await subscribed();
    const filter = ua.constructEventFilter(EVENT_FIELDS, ua.ofType(ua.resolveNodeId(type)));
    const item = await subscription.monitor({ nodeId: node, attributeId: ua.AttributeIds.EventNotifier },
      { queueSize: 1000, filter, discardOldest: false }, ua.TimestampsToReturn.Both);
    item.on("changed", (fields) => heard.events.push(named(fields)));
  },
  heard: async () => heard,
  /** What the client's own list of alarms shows, kept as OPC 10000-9 (4.5) says. */
  async list() {
    const list = await ua.installAlarmMonitoring(session);
    return [...list.alarms()].map((alarm) => ({
      condition: alarm.conditionId.toString(), retain: alarm.getRetain(),
      source: alarm.fields.sourceName.value, acked: alarm.fields.ackedState.id.value,
    }));
  },
  async refresh() {
    return ua.callConditionRefresh(session, subscription.subscriptionId).then(String);
  },
  async acknowledge({ condition, event, comment }) {
    return (await session.acknowledgeCondition(condition, Buffer.from(event, "hex"), comment)).name;
  },
  async comment({ condition, event, comment }) {
    return (await session.addCommentCondition(condition, Buffer.from(event, "hex"), comment)).name;
  },
  async call({ object, method, inputs }) {
    const inputArguments = inputs.map(([dataType, value]) => ({ dataType: ua.DataType[dataType], value }));
    const answer = await session.call({ objectId: object, methodId: method, inputArguments });
    return answer.statusCode.name;
  },
  async history({ node, start, end }) {
    const answer = await session.readHistoryValue(node, new Date(start), new Date(end));
    return answer.historyData.dataValues.map(shown);
  },
  async events({ node, start, end, most }) {
    const filter = ua.constructEventFilter(EVENT_FIELDS);
    const found = [];
    for (let continuationPoint = null; ;) {
      const answer = await session.historyRead(new ua.HistoryReadRequest({
        historyReadDetails: new ua.ReadEventDetails({ startTime: new Date(start), endTime: new Date(end), numValuesPerNode: most, filter }),
        nodesToRead: [{ nodeId: node, continuationPoint }],
        timestampsToReturn: ua.TimestampsToReturn.Both,
      }));
      const [result] = answer.results;
      if (!result.statusCode.isGood()) throw new Error(result.statusCode.name);
      found.push(...result.historyData.events.map((e) => named(e.eventFields)));
      continuationPoint = result.continuationPoint;
      if (!continuationPoint?.length) return found;
    }
  },
  async close() {
    await subscription?.terminate();
    await session?.close();
    await client?.disconnect();
  },
};

async function subscribed() {
  subscription ??= await session.createSubscription2({ requestedPublishingInterval: 100, publishingEnabled: true });
}

const shown = (value) => ({
  value: value.value?.value ?? null, status: value.statusCode.name, at: value.sourceTimestamp?.toISOString() ?? null,
});

function plain(value) {
  if (Buffer.isBuffer(value)) return value.toString("hex");
  if (value instanceof Date) return value.toISOString();
  if (value?.constructor?.name === "NodeId") return value.toString();
  return value?.text !== undefined ? value.text : value ?? null;
}

const named = (fields) => Object.fromEntries(EVENT_FIELDS.map((name, i) => [name, plain(fields[i]?.value)]));

readline.createInterface({ input: process.stdin }).on("line", async (line) => {
  const { ask, ...rest } = JSON.parse(line);
  let answer;
  try {
    answer = { done: (await REQUESTS[ask](rest)) ?? null };
  } catch (error) {
    answer = { failed: String(error.message ?? error) };
  }
  process.stdout.write(`answer ${JSON.stringify(answer)}\n`);
  if (ask === "close") process.exit(0);
});
