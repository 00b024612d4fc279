package example.ebbmark.record;

import java.net.InetSocketAddress;
import java.util.List;
import java.util.Map;
import org.eclipse.jetty.ee10.servlet.ServletContextHandler;
import org.eclipse.jetty.ee10.servlet.ServletHolder;
import org.eclipse.jetty.server.Server;
import org.springframework.context.annotation.AnnotationConfigApplicationContext;
import org.springframework.core.env.MapPropertySource;

/**
 * Starts the record: {@code java -jar record.jar [--port N] [--data FOLDER]}.
 *
 * <p>Listens on this machine only. Prints its base URL once it answers. Without a data folder nothing outlives the
 * process; with one, a record started again on the same folder knows what it knew.
 */
public final class RecordServer {

    private static final String PATH = "/fhir";
    private static final String LOOPBACK = "127.0.0.1";

    private RecordServer() {}

    public static void main(String[] arguments) throws Exception {
        int port = Integer.parseInt(option(arguments, "--port", "8099"));
        String folder = option(arguments, "--data", "");
        String database = folder.isEmpty() ? "jdbc:h2:mem:record;DB_CLOSE_DELAY=-1" : "jdbc:h2:file:" + folder + "/record;WRITE_DELAY=0";

        AnnotationConfigApplicationContext context = new AnnotationConfigApplicationContext();
        context.getEnvironment()
                .getPropertySources()
                .addFirst(new MapPropertySource("arguments", Map.of("record.database", database)));
        context.register(StorageConfiguration.class, DoorConfiguration.class);
        context.refresh();

        Server server = new Server(new InetSocketAddress(LOOPBACK, port));
        ServletContextHandler handler = new ServletContextHandler();
        handler.setContextPath("/");
        handler.addServlet(new ServletHolder(context.getBean(RecordDoor.class)), PATH + "/*");
        server.setHandler(handler);
        Runtime.getRuntime().addShutdownHook(new Thread(() -> stop(server, context)));
        server.start();
        System.out.println("http://" + LOOPBACK + ":" + server.getURI().getPort() + PATH);
        server.join();
    }

    private static String option(String[] arguments, String name, String otherwise) {
        int at = List.of(arguments).indexOf(name);
        return at >= 0 && at + 1 < arguments.length ? arguments[at + 1] : otherwise;
    }

    private static void stop(Server server, AnnotationConfigApplicationContext context) {
        try {
            server.stop();
        } catch (Exception failure) {
            System.err.println("The record did not stop cleanly: " + failure);
        } finally {
            context.close();
        }
    }
}
