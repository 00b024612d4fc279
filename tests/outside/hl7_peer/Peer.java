import ca.uhn.hl7v2.DefaultHapiContext;
import ca.uhn.hl7v2.HL7Exception;
import ca.uhn.hl7v2.app.Connection;
import ca.uhn.hl7v2.conf.check.DefaultValidator;
import ca.uhn.hl7v2.conf.parser.ProfileParser;
import ca.uhn.hl7v2.conf.spec.RuntimeProfile;
import ca.uhn.hl7v2.model.Message;
import ca.uhn.hl7v2.util.Terser;
import java.io.InputStream;
import java.nio.charset.StandardCharsets;
import java.nio.file.Files;
import java.nio.file.Path;

/**
 * Sends each message to 127.0.0.1:PORT and tells, by tabs, its file, MSA-1 and MSA-2 of the reply; then every fault that
 * a profile finds, in the message and in the reply. Usage: java -cp 'lib/*' Peer.java PORT FILE...
 */
public final class Peer {
    private static final String PROFILES = "/org/openehealth/ipf/gazelle/validation/profile/v2/1.3.6.1.4.12559.11.1.1.";
    /** PCD-01, sent by a Device Observation Reporter; acknowledged by a Device Observation Consumer. */
    private static final String OBSERVATIONS = "129", ACKNOWLEDGEMENT = "113";

    public static void main(String[] given) throws Exception {
        RuntimeProfile observations = profile(OBSERVATIONS), acknowledgement = profile(ACKNOWLEDGEMENT);
        try (DefaultHapiContext context = new DefaultHapiContext()) {
            Connection connection = context.newClient("127.0.0.1", Integer.parseInt(given[0]), false);
            for (int at = 1; at < given.length; at++) {
                String name = Path.of(given[at]).getFileName().toString();
                String text = Files.readString(Path.of(given[at]), StandardCharsets.ISO_8859_1);
                Message sent = context.getPipeParser().parse(text);
                Message reply = connection.getInitiator().sendAndReceive(sent);
                Terser read = new Terser(reply);
                System.out.println(String.join("\t", "reply", name, read.get("/MSA-1"), read.get("/MSA-2")));
                tell(name, "message", sent, observations);
                tell(name, "reply", reply, acknowledgement);
            }
        }
    }

    private static RuntimeProfile profile(String number) throws Exception {
        try (InputStream text = Peer.class.getResourceAsStream(PROFILES + number + ".xml")) {
            return new ProfileParser(false).parse(new String(text.readAllBytes(), StandardCharsets.UTF_8));
        }
    }

    private static void tell(String name, String of, Message one, RuntimeProfile profile) throws Exception {
        for (HL7Exception fault : new DefaultValidator().validate(one, profile.getMessage())) {
            System.out.println(String.join("\t", "fault", name, of, fault.getMessage()));
        }
    }
}
